"""The page that grades a piece, and its parts."""
