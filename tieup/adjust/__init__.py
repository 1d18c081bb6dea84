"""Adjust the network: equations, weights, block solver, statistics."""
