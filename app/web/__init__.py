"""What do the pages show and ask? A thin layer over the rest of ``app``."""
