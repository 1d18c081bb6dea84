"""Whole runs: a job folder in, files out, through the command line."""
