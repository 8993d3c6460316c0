"""The pages: a thin layer over ``app.grading``, ``app.records`` and ``app.practice``."""
