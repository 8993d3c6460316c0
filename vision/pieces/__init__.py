"""Which things lie on the table, where are their outlines, and what form have they?"""
