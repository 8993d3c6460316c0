"""How does the answer look, drawn on the photo?"""
