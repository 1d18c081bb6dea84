"""What all commands share: options, exit status, printing."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

TIES, DECIDE, WRONG = 0, 1, 2

Command = TypeVar("Command", bound=Callable[..., Any])


def common(command: Command) -> Command:
    """Add the options that every command takes."""
    for option in (
        click.option("--json", "as_json", is_flag=True, help="Print the result as JSON."),
        click.option("--quiet", is_flag=True, help="Print nothing but errors."),
        click.option(
            "--out", metavar="DIR", type=click.Path(path_type=Path), help="Folder to write into."
        ),
    ):
        command = option(command)
    return command


def progress() -> Callable[[str], None] | None:
    """Return what shows the stage of a long run, None where nobody watches."""
    if not sys.stderr.isatty():
        return None
    return lambda stage: click.echo(f"\r\033[K{stage} ...\r", err=True, nl=False)


def show(text: str, record: dict[str, Any], *, quiet: bool, as_json: bool) -> None:
    """Print a result as text or as JSON, or not at all."""
    if quiet:
        return
    if as_json:
        from tieup.write.documents import json_text

        text = json_text(record)
    say(text.rstrip("\n"))


def say(text: str) -> None:
    """Print to standard output; a reader that has gone away is no error."""
    try:
        click.echo(text)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
