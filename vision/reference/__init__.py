"""What of known size lies beside the piece, and how big is a pixel there?"""
