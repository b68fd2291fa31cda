"""Tests of the nouns and their files."""
