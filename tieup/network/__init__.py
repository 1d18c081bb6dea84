"""Assemble the network: connectivity and start values."""
