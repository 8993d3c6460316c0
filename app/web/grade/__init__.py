"""What does the page show that grades a piece?"""
