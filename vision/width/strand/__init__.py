"""How thick is one strand of a bundle, and is it one at all?"""
