"""What does a second photo, taken with the phone's own light, settle?"""
