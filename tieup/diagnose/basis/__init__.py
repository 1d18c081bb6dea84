"""What every room stands on: the case as it is taken, its solution, a mistake, how one is said."""
