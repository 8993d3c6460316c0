"""The page that trains helpers, and its parts."""
