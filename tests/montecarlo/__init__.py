"""Monte Carlo: what the tool says of its own precision, held against thousands of draws."""
