"""The page of everything that was saved, and its parts."""
