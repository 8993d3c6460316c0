"""What does a visitor have in hand: photos, what they said of them, and where they tapped?"""
