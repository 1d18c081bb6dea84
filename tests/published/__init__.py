"""Checks against published numbers and independent libraries, the source beside each."""
