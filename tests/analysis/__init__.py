"""Tests of the analysis room."""
