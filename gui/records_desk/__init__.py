"""The Records desk: finding kept runs, looking at them, and what is added to them."""
