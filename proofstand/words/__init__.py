"""The sentences that people read, by stable id, one file per language."""
