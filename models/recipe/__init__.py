"""Photos of scrap copper with exact truth, rendered by Mitsuba 3."""
