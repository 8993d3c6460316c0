"""What does the page show that trains helpers?"""
