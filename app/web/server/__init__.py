"""How are the pages served, and who gets in?"""
