"""Tests of the rig room."""
