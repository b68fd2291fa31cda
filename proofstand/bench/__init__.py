"""Getting the bench fit to test: rig check, calibration, plan check."""
