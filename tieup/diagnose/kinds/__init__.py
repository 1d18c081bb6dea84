"""The kinds of mistakes, one object each: see `tieup.diagnose.kinds.kind`."""
