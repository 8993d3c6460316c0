"""The page of the second opinion on borderline tarnish, and its parts."""
