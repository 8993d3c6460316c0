"""What lies on a rendered photo, and where? Scenes with exact truth."""
