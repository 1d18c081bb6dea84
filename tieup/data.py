"""Find the data that comes with the package: settings files and the sample job."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def data_path(name: str) -> Path:
    """Return the path of ``configs``, ``sample_raw`` or anything below them.

    An installed package carries them in ``tieup/_data``; in a source tree they stand
    beside the package.
    """
    installed = _PACKAGE / "_data" / name
    return installed if installed.exists() else _PACKAGE.parent / name
