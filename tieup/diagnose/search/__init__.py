"""The loop: look at a solution, take out what is found, solve anew until nothing is left."""
