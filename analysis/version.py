"""The version of every number that analysis gives; raised when one changes."""

ANALYSIS_VERSION = 11
