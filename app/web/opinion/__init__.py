"""What does the page of the second opinion show on borderline tarnish?"""
