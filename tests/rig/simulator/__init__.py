"""Tests of the simulated rig: its gas, its transducers, its hands."""
