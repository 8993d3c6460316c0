"""Practice: cards, when to show them again, and how well each helper agrees with the truth."""
