"""What does the page server run? Alone in its folder, which the server puts on the path."""
