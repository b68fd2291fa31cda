"""The Bench desk: what a technician sees and presses while a regulator is tested."""
