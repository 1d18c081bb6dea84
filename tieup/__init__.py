"""tieup: one adjusted coordinate file from many instrument setups."""

__version__ = "0.1.0"
