"""Exchange the files of a folder in one step, and clear up after a run that was killed.

Everything is written into a stage beside the folder first. The stage then takes the folder's
place by one rename, with links to all other files of the folder in it, and the old folder goes.
Where that cannot be (the folder is a mount point, has folders in it, is the working folder of
this process, or nothing may be written beside it), the stage lies within it and files are moved
one by one, the record of the old set away first and that of the new one into its place last; on
any failure all moves are undone.

A stage is locked as long as its run lives. What a killed run left is found by the next one:
it puts back what was moved away, and takes the stage away.
"""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

try:
    import fcntl
except ImportError:  # on Windows: stages are not locked, and leftovers stay
    fcntl = None  # type: ignore[assignment]

PREFIX, LOCK, MOVES = ".tieup-", "lock", "moves.json"
EXCHANGE = 2  # RENAME_EXCHANGE of renameat2(2)
HERE = -100  # AT_FDCWD


@dataclass(frozen=True)
class Stage:
    """A stage: ``new`` holds the files to come, ``old`` what they replace, of ``target``."""

    folder: Path
    target: Path
    beside: bool

    @property
    def new(self) -> Path:
        """Return where the files to come are."""
        return self.folder / "new"

    @property
    def old(self) -> Path:
        """Return where the files that go are."""
        return self.folder / "old"

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Hold the target where files are moved one by one: two runs would mix their sets."""
        if self.beside or fcntl is None:
            yield
            return
        folder = os.open(self.target, os.O_RDONLY)
        try:
            with suppress(OSError):  # a file system without locks
                fcntl.flock(folder, fcntl.LOCK_EX)
            yield
        finally:
            os.close(folder)

    def exchange(self, names: Iterable[str], stale: Iterable[str], record: str = "") -> None:
        """Put the files ``names`` into the target; take those away and ``stale`` ones.

        Where files are moved one by one the ``record`` of the set goes first and comes last: a set
        with a record is whole.
        """
        fresh, gone = set(names), set(names) | set(stale)
        if not self.beside:
            self._move(fresh, gone, record)
            return
        try:
            others = self._keep_others(gone)
            self._swap()
        except OSError:  # something holds the folder itself: file by file, then
            self._move(fresh, gone, record)
            return
        self._keep_late(others | gone)

    def _keep_others(self, gone: set[str]) -> set[str]:
        """Link every other file of the target into the stage; return their names."""
        if not self.target.exists():
            return set()
        shutil.copymode(self.target, self.new)
        others = {path.name for path in self.target.iterdir()} - gone
        for name in others:
            try:
                os.link(self.target / name, self.new / name, follow_symlinks=False)
            except (OSError, NotImplementedError):
                shutil.copy2(self.target / name, self.new / name, follow_symlinks=False)
        return others

    def _swap(self) -> None:
        """Put the stage into the place of the target: by one rename where the system can."""
        if not self.target.exists():
            self.new.rename(self.target)
        elif not _exchanged(self.new, self.target):
            self.target.rename(self.old)
            try:
                self.new.rename(self.target)
            except BaseException:
                self.old.rename(self.target)
                raise

    def _keep_late(self, known: set[str]) -> None:
        """Move files over that came into the old folder after it had been looked at."""
        for folder in (self.new, self.old):
            for path in folder.iterdir() if folder.is_dir() else ():
                if path.name not in known and not (self.target / path.name).exists():
                    path.rename(self.target / path.name)

    def _move(self, fresh: set[str], gone: set[str], record: str) -> None:
        """Move old files out and new ones in; undo every move where one fails."""
        self.target.mkdir(exist_ok=True)
        self.old.mkdir(exist_ok=True)
        (self.folder / MOVES).write_text(json.dumps(sorted(fresh)), encoding="utf-8")
        try:
            for name in sorted(gone, key=lambda name: (name != record, name)):
                if (self.target / name).is_symlink() or (self.target / name).exists():
                    (self.target / name).replace(self.old / name)
            for name in sorted(fresh, key=lambda name: (name == record, name)):
                (self.target / name).parent.mkdir(exist_ok=True)
                (self.new / name).replace(self.target / name)
        except BaseException:
            recover(self)
            raise


@contextmanager
def staged(target: Path) -> Iterator[Stage]:
    """Give a stage for a folder, made with its parents where missing; nothing of it stays.

    Folders that were made for it go again where they are left empty.
    """
    missing = [folder for folder in (target, *target.parents) if not folder.exists()]
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        clear_leftovers(target)
        beside = _can_swap(target)
        if not beside:
            target.mkdir(exist_ok=True)
        with _locked(target, beside) as stage:
            try:
                stage.new.mkdir()
                yield stage
            finally:
                recover(stage)
                _take_away(stage)
    finally:
        for folder in missing:
            with suppress(OSError):
                folder.rmdir()  # refuses where something is in it


def recover(stage: Stage) -> None:
    """Put back what was moved out of the target, unless all that was to come is there."""
    if stage.old.is_dir() and not stage.target.exists():  # between two renames
        stage.old.rename(stage.target)
    moves = stage.folder / MOVES
    if not moves.is_file():
        return
    try:
        names = json.loads(moves.read_text(encoding="utf-8"))
    except ValueError:  # its run ended while it was written: nothing has moved yet
        names = []
    waiting = {name for name in names if (stage.new / name).exists()}
    if waiting:
        for name in set(names) - waiting:
            (stage.target / name).replace(stage.new / name)
        for path in [*stage.old.iterdir()]:
            path.replace(stage.target / path.name)
    moves.unlink()


def clear_leftovers(target: Path) -> None:
    """Recover and take away the stages of this folder whose run lives no more."""
    for place in (target.parent, target):
        for folder in sorted(place.glob(f"{PREFIX}*")) if place.is_dir() else ():
            with suppress(OSError, ValueError):
                _clear(Stage(folder, target, place != target))


def _clear(stage: Stage) -> None:
    """Recover and take away a stage of this target, under its lock; OSError where it is held."""
    lock = stage.folder / LOCK
    if fcntl is None or stage.folder.is_symlink():
        return
    if not lock.exists():  # its run ended before it had one, or with nothing else left in it
        stage.folder.rmdir()
        return
    with lock.open("r+", encoding="utf-8") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if stream.read() in ("", stage.target.name):  # "": ended before it was written
            recover(stage)
            _take_away(stage)


def _take_away(stage: Stage) -> None:
    """Take a stage away, its lock last: without one nothing may be left that somebody needs."""
    for folder in (stage.new, stage.old):
        shutil.rmtree(folder, ignore_errors=True)
    with suppress(OSError):
        (stage.folder / MOVES).unlink(missing_ok=True)
        (stage.folder / LOCK).unlink(missing_ok=True)
        stage.folder.rmdir()


@contextmanager
def _locked(target: Path, beside: bool) -> Iterator[Stage]:
    """Give a new stage and hold its lock."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=PREFIX, dir=target.parent if beside else target))
        try:
            stream = (folder / LOCK).open("w", encoding="utf-8")
        except FileNotFoundError:  # another run took it for a leftover just before
            continue
        with stream:
            stream.write(target.name)
            stream.flush()
            if fcntl is None:
                stream.close()  # an open file could not be taken away with the stage
            else:
                with suppress(OSError):  # a file system without locks
                    fcntl.flock(stream, fcntl.LOCK_EX)
            if (folder / LOCK).exists():  # else likewise
                yield Stage(folder, target, beside)
                return


def _can_swap(target: Path) -> bool:
    """Return whether the folder can be taken away as a whole."""
    if not os.access(target.parent, os.W_OK):
        return False
    if not target.exists():
        return True
    here = _working_folder()
    if os.path.ismount(target) or target in (here, *here.parents) or not _is_own(target):
        return False
    return not any(path.is_dir() and not path.is_symlink() for path in target.iterdir())


def _is_own(folder: Path) -> bool:
    """Return whether a new folder in its place would have the same owner."""
    return not hasattr(os, "geteuid") or folder.stat().st_uid == os.geteuid()


def _working_folder() -> Path:
    try:
        return Path.cwd()
    except OSError:  # it was deleted
        return Path("/")


def _exchanged(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; return False where the system has no such call."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    return bool(call(HERE, os.fsencode(one), HERE, os.fsencode(other), EXCHANGE) == 0)
