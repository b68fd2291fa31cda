"""Technician and rig as keys; findings and suspected faults of judgements.

Nothing is only in the index, so what it holds is thrown away and read again.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "r0002"
down_revision = "r0001"
branch_labels = None
depends_on = None

_KEY = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
_KEPT = ("summary", "certificates", "runs", "entries", "index_state")


def _key(name: str) -> sa.Column[str]:
    return sa.Column(name, _KEY, nullable=False)


def _value(name: str) -> sa.Column[float]:
    return sa.Column(name, sa.Double, nullable=False)


def upgrade() -> None:
    """Make them."""
    for name in _KEPT:
        op.execute(sa.delete(sa.table(name)))
    for name in ("technician", "rig"):
        column = sa.Column(f"{name}_key", _KEY, nullable=False, server_default="")
        op.add_column("runs", column)
        op.create_index(f"runs_by_{name}", "runs", [f"{name}_key", "started_ns", "run"])
    op.create_table(
        "findings",
        _key("run"),
        _key("serial"),
        _key("finding"),
        _key("step"),
        _key("channel"),
        _value("value"),
        _value("low"),
        _value("high"),
        _key("outcome"),
    )
    op.create_index("findings_of_run", "findings", ["run"])
    op.create_index("findings_by_value", "findings", ["finding", "value", "run"])
    op.create_table(
        "suspects",
        _key("run"),
        _key("serial"),
        _key("fault"),
        sa.Column("place", sa.Integer, nullable=False),
    )
    op.create_index("suspects_of_run", "suspects", ["run"])
    op.create_index("suspects_by_fault", "suspects", ["fault", "run"])


def downgrade() -> None:
    """Take them away; an index is made anew from its archive."""
    for name in ("technician", "rig"):
        op.drop_index(f"runs_by_{name}", "runs")
        op.drop_column("runs", f"{name}_key")
    op.drop_table("suspects")
    op.drop_table("findings")
