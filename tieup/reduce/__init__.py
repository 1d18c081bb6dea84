"""Reduce one setup at a time: faces, rounds and constants to one mean per sight."""
