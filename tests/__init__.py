"""Tests of Proofstand, laid out as its rooms."""
