"""How do helpers come to the same eye: which card next, and how well do they agree?"""
