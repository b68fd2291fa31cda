"""Tests of gui."""
