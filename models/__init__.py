"""Data only: the surface model, its settings and its card."""
