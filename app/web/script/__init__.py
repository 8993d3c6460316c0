"""What the page server runs; a folder of its own, because the server puts it on the path."""
