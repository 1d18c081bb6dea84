"""tieup: one adjusted coordinate file from many instrument setups.

    import tieup
    result = tieup.reconcile("fire_station")
    result.coordinates          # a pandas frame; so are .observations, .setups and .ties

The library is loaded on first use, so that importing the package costs nothing.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tieup.library import Result, reconcile

__version__ = "0.1.0"
__all__ = ["Result", "__version__", "reconcile"]


def __getattr__(name: str) -> Any:
    """Load the library on first use of one of its names."""
    if name in ("Result", "reconcile"):
        from tieup import library

        return getattr(library, name)
    raise AttributeError(f"module 'tieup' has no attribute {name!r}")
