"""What a person touches: the command line. No measuring and no grading here."""
