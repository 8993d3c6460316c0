"""How are the edge networks trained on straightened pieces?"""
