"""Revisions of the index's tables, applied by alembic when an index is opened."""
