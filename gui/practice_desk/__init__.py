"""The Practice desk: drills replayed blind, called and scored; faults explained."""
