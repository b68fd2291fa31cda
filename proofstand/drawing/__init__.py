"""Drawings for page, export and window: the finding bar, the trace, inks and fonts."""
