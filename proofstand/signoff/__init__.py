"""Who signs, with which key, and what a signature is worth later."""
