"""A rig made of equations, served over a real socket like any other."""
