"""What is on the piece's surface, and does the network know such a thing?"""
