"""Read job.yaml strictly: one schema, true line numbers, every problem of the file at once."""

from tieup.config.load_job import load_job

__all__ = ["load_job"]
