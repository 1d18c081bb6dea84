"""Files as bytes: whether a path is one with an end in sight, and which version of it was read."""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Mapping
from pathlib import Path

from tieup.errors import InputError

LARGEST = 256_000_000  # bytes; some million rows. A file with holes may state any size


def unreadable_as(path: Path) -> str:
    """Say what a path is that cannot be read as a file; empty where it can, or is not there.

    A pipe or a device would never end.
    """
    try:
        facts = path.stat()
    except OSError:
        return "a link that leads nowhere" if path.is_symlink() else ""
    except ValueError:  # a zero byte, or half a character
        return "no name that a file can have"
    if stat.S_ISDIR(facts.st_mode):
        return "a folder"
    if not stat.S_ISREG(facts.st_mode):
        return "a device or the like, no file"
    if facts.st_size > LARGEST:
        size = f"{facts.st_size / 1e6:,.0f} MB"
        return f"a file of {size}, and at most {LARGEST // 1_000_000} MB are read"
    return ""


def file_content(path: Path, name: str) -> bytes:
    """Return the bytes of a file.

    Raises
    ------
    InputError
        The file cannot be opened, is none, or is too large.
    """
    if what := unreadable_as(path):
        raise InputError(f"{name}: is {what}")
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{name}: cannot be opened ({error.strerror})") from error


def file_hashes(paths: Mapping[str, Path]) -> dict[str, str]:
    """Return the SHA-256 of each file's bytes, in hexadecimal, by the name it is given.

    Raises
    ------
    InputError
        A file cannot be opened.
    """
    return {
        name: hashlib.sha256(file_content(path, name)).hexdigest() for name, path in paths.items()
    }


def refuse_changed(paths: Mapping[str, Path], before: Mapping[str, str]) -> None:
    """Refuse files that are not those any more whose hashes were taken before they were read.

    Raises
    ------
    InputError
        A file has changed since.
    """
    after = file_hashes(paths)
    changed = [name for name in paths if after[name] != before[name]]
    if changed:
        raise InputError(*(f"{n}: changed while it was read. Run it again" for n in changed))
