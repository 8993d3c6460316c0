"""How is the surface network trained, judged and exported?"""
