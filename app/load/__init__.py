"""What is the load worth, to whom, and what is worth a minute before the scale?"""
