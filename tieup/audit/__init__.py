"""Look at raw rows alone, without a solution: are they whole, and what do they prove?"""
