"""Which small fits come after the networks?"""
