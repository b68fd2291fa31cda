"""The nouns of the job and their files; imports no other room."""
