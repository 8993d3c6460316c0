"""How is a whole folder of photos graded, and what is kept of it?"""
