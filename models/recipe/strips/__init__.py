"""How is the network trained that looks at straightened strips?"""
