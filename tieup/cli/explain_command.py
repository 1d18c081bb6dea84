"""The command `tieup explain`: what a word means."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tieup import __version__
from tieup.cli.common import TIES, common, show, writing
from tieup.errors import OutputError

if TYPE_CHECKING:
    from tieup.explain.entry import Entry

PAGE = "explained.html"
GENERATOR = 'name="generator" content="tieup '
EXPLAIN_STATUS = "Exit status: 0 the word is known, or the page was written; 2 it is not."


@click.command(epilog=EXPLAIN_STATUS)
@click.argument("words", metavar="WORD", nargs=-1)
@click.option("--page", is_flag=True, help=f"Write all words as one page with a search, {PAGE}.")
@click.option("--schema", is_flag=True, help="Print a JSON Schema of job.yaml, for editors.")
@common
def explain(
    words: tuple[str, ...], page: bool, schema: bool, out: Path | None, quiet: bool, as_json: bool
) -> int:
    """Say what WORD means: a key, a file, a column, a finding, a rule, a command, a term.

    Topics to read: archive, bays, deciding, exporting, planning, python, results, scatter,
    security. Several words are taken as one. The page goes to the folder that --out names, else
    to the one you stand in.
    """
    from tieup.explain.entries import entries
    from tieup.explain.json_schema import job_schema
    from tieup.explain.page import explained_page
    from tieup.explain.screen import explained_record, explained_text
    from tieup.explain.search import senses

    if page + schema + bool(words) != 1:
        raise click.UsageError("name one word: tieup explain WORD, or all: --page, or --schema")
    if out is not None and not page:
        raise click.UsageError("--out is for --page")
    if schema:
        show("", job_schema(), quiet=quiet, as_json=True)
        return TIES
    known = (*entries(), *_commands())
    if not page:
        found = senses(" ".join(words), known)
        show(explained_text(found), explained_record(found), quiet=quiet, as_json=as_json)
        return TIES
    target = (out or Path()) / PAGE
    writing(target, TIES)
    _write(target, explained_page(known, __version__))
    show(f"Written to {target}", {"page": str(target)}, quiet=quiet, as_json=as_json)
    return TIES


def _commands() -> Iterator[Entry]:
    """Yield every command with its options, as its own help has them."""
    from tieup.explain.entry import Entry

    root = click.get_current_context().find_root()
    group = root.command
    assert isinstance(group, click.Group)
    for name, command in group.commands.items():
        says = " ".join((command.help or "").split())
        usage = " ".join(command.collect_usage_pieces(root))
        facts = [("usage", f"tieup {name} {usage}")]
        facts += [
            (", ".join(option.opts), option.help)
            for option in command.params
            if isinstance(option, click.Option) and option.help
        ]
        yield Entry(name, "command", says, tuple(facts))


def _write(path: Path, text: str) -> None:
    """Write the page; a file of that name that tieup did not write stays as it is."""
    from tieup.write.staging import staged

    try:
        with staged(path.parent.resolve()) as stage:
            if os.path.lexists(path) and not _is_page(path):
                raise OutputError(
                    f"{path}: is there and no page of tieup. Name a folder: --out DIR"
                )
            (stage.new / path.name).write_text(text, encoding="utf-8", newline="\n")
            stage.exchange((path.name,), ())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise OutputError(
            f"{path}: cannot be written ({reason}). Name a folder: --out DIR"
        ) from error


def _is_page(path: Path) -> bool:
    """Say whether a file is a page of tieup; a link or a pipe is none."""
    if path.is_symlink() or not path.is_file():
        return False
    return GENERATOR in path.read_text(encoding="utf-8", errors="replace")
