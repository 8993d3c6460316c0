"""The pieces of scrap that are laid, each with the truth about it."""
