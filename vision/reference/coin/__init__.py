"""Where do coins lie, how big do they look, and how does the table tilt under them?"""
