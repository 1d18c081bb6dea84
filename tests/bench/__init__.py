"""Measurements: how good and how fast, run by hand."""
