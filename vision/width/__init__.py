"""How thick is a piece, and how thick is one strand of it?"""
