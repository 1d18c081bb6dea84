"""Strings of shots: cut into runs, put in order across the setups of a site."""
