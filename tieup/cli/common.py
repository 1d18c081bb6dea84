"""What all commands share: options, exit status, printing, and what was written so far."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

import click

from tieup.errors import OutputError, place_of

if TYPE_CHECKING:
    from traceback import FrameSummary

TIES, DECIDE, WRONG = 0, 1, 2

Command = TypeVar("Command", bound=Callable[..., Any])
Facts = tuple[int, int] | None


@dataclass
class Writing:
    """What a command is about to write, to know at its end, however it ends, whether it has.

    ``record`` is a file that is written with all others or not at all, ``before`` what was in
    its place; ``status`` is the exit status of the results.
    """

    record: Path | None = None
    before: Facts = None
    status: int = field(default=WRONG)

    def begin(self, record: Path, status: int) -> None:
        """Say what will be written."""
        self.record, self.before, self.status = record, _facts(record), status

    @property
    def done(self) -> bool:
        """Return whether it was written."""
        return self.record is not None and _facts(self.record) not in (None, self.before)

    @property
    def words(self) -> str:
        """Return whether results were written, as a sentence."""
        if self.record is not None and self.done:
            return f"The results were written to {self.record.parent}."
        return "No results were written."


def writing(record: Path, status: int) -> None:
    """Say that the command that runs is about to write, with ``record`` among the files."""
    context = click.get_current_context(silent=True)
    if context is not None and isinstance(context.obj, Writing):
        context.obj.begin(record, status)


class Folder(click.Path):
    """A folder; an empty name, as of an unset variable, is none."""

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        """Refuse the empty name, which would mean the working folder."""
        if value == "":
            self.fail("the name of the folder is empty", param, ctx)
        return super().convert(value, param, ctx)


def common(command: Command) -> Command:
    """Add the options that every command takes."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON."),
        click.option("--quiet", is_flag=True, help="Print nothing but errors."),
        click.option(
            "--out",
            metavar="DIR",
            type=Folder(path_type=Path),
            help="Folder to write into.",
        ),
    ):
        command = option(command)
    return command


def open_what_is_closed() -> None:
    """Give standard streams that the caller closed a place, so that no file takes it."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number, which is this one


def stop_as_by_hand() -> None:
    """Let SIGTERM end a run as Ctrl-C does: told, and with nothing half done left."""

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)


def progress() -> Callable[[str], None] | None:
    """Return what shows the stage of a long run, None where nobody watches."""
    if sys.stderr is None or not sys.stderr.isatty():
        return None
    return lambda stage: tell(f"\r\033[K{stage} ...\r", end="")


def show(text: str, record: dict[str, Any], *, quiet: bool, as_json: bool) -> None:
    """Print a result as text or as JSON, or not at all."""
    if quiet:
        return
    if as_json:
        from tieup.write.documents import json_text

        text = json_text(record)
    say(text.rstrip("\n"))


def say(text: str) -> None:
    """Print to standard output; a reader that has gone away is no error.

    Raises
    ------
    OutputError
        It cannot be printed: the disk behind it is full.
    """
    try:
        click.echo(text)
    except BrokenPipeError:
        _silence(sys.stdout)
    except OSError as error:
        _silence(sys.stdout)
        raise OutputError(unprinted(error)) from error


def unprinted(error: OSError) -> str:
    """Say that standard output takes nothing more."""
    return f"The screen could not be printed ({error.strerror})."


def tell(text: str, end: str = "\n") -> None:
    """Print to standard error, if there is anybody to read it."""
    try:
        click.echo(text + end, err=True, nl=False)
    except OSError:
        _silence(sys.stderr)


def fault(error: Exception, written: str) -> str:
    """Say that the tool failed, where in it, and whether results were ``written``."""
    return (
        f"tieup failed at {place_of(error)}\n"
        f"This is a fault of the tool, not of your data. {written}\n"
        "Report these lines together with the job folder; tieup --version names the version."
    )


def frames_inside(error: BaseException) -> list[FrameSummary]:
    """Return where in the tool an error went through, without the start of every command.

    None: it comes of what click prints before any command runs.
    """
    import traceback

    here = str(Path(__file__).parent.parent)
    start = str(Path(__file__).with_name("__init__.py"))
    return [
        frame
        for frame in traceback.extract_tb(error.__traceback__)
        if frame.filename.startswith(here) and (frame.filename, frame.name) != (start, "outcome")
    ]


def _silence(stream: TextIO) -> None:
    """Let what is still to be printed go nowhere."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _facts(path: Path) -> Facts:
    """Return what tells one file of a name from the next, None where there is none."""
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_ino, facts.st_mtime_ns
