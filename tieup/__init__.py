"""tieup: one adjusted coordinate file from many instrument setups.

    import tieup
    result = tieup.reconcile("fire_station")
    result.coordinates          # a pandas frame; so are .observations, .setups and .ties
    tieup.ties("fire_station").todo      # what to shoot again
    tieup.audit("fire_station").rules    # raw rows alone
    tieup.plan("fire_station").points    # what it will come to, before it is shot
    tieup.surface("fire_station").verdicts    # does it drain

The library is loaded on first use, so that importing the package costs nothing.
"""

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = [
    "AuditResult",
    "PlanResult",
    "Result",
    "SurfaceResult",
    "TiesResult",
    "__version__",
    "audit",
    "plan",
    "reconcile",
    "surface",
    "ties",
]

if TYPE_CHECKING:
    from tieup.library import (
        AuditResult,
        PlanResult,
        Result,
        SurfaceResult,
        TiesResult,
        audit,
        plan,
        reconcile,
        surface,
        ties,
    )
else:
    from types import ModuleType

    from tieup import audit, surface, ties  # rooms of the house; what is in them loads later

    class _Door(ModuleType):
        """A room of the house whose name is also that of a function of the library.

        `tieup.ties` stays the room, whichever was imported first, and answers when it is called.
        """

        def __call__(self, *arguments: Any, **options: Any) -> Any:
            """Call the function of the library."""
            from tieup import library

            return getattr(library, self.__name__.rpartition(".")[2])(*arguments, **options)

    for _room in (audit, surface, ties):
        _room.__class__ = _Door


def __getattr__(name: str) -> Any:
    """Load the library on first use of one of its names."""
    if name in __all__:
        from tieup import library

        return getattr(library, name)
    raise AttributeError(f"module 'tieup' has no attribute {name!r}")
