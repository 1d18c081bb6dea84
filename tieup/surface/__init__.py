"""Surfaces out of points and breaklines, and whether they drain: arrays in, arrays out."""
