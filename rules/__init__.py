"""Findings in, suggested grade out. Knows numpy and nothing of pictures."""
