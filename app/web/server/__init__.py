"""How the pages are served, and who gets in."""
