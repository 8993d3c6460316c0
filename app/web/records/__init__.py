"""What does the page show of all that was saved?"""
