"""Which grade do findings make, and why? Knows numpy and nothing of pictures."""
