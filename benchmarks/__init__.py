"""How fast the tools answer, each figure as a ratio with a goal."""
