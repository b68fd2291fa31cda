"""What can be read on a rig, each as blocks of raw samples with their times."""
