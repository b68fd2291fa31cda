"""What is looked at after a test: drills and how they are scored."""
