"""tieup: one adjusted coordinate file from many instrument setups.

    import tieup
    result = tieup.reconcile("fire_station")
    result.coordinates          # a pandas frame; so are .observations, .setups and .ties
    tieup.plan("fire_station").points    # what it will come to, before it is shot

The library is loaded on first use, so that importing the package costs nothing.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tieup.library import PlanResult, Result, plan, reconcile

__version__ = "0.1.0"
__all__ = ["PlanResult", "Result", "__version__", "plan", "reconcile"]


def __getattr__(name: str) -> Any:
    """Load the library on first use of one of its names."""
    if name in ("PlanResult", "Result", "plan", "reconcile"):
        from tieup import library

        return getattr(library, name)
    raise AttributeError(f"module 'tieup' has no attribute {name!r}")
