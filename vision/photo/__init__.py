"""How do a file's bytes become linear light, and what colour was the light?"""
