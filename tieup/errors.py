"""The one family of errors a user can meet.

Wrong field data is a finding; a run that cannot go on is an error. Each message
says where, what was found, what was expected and what to do. A reader collects
every problem of a file before it raises, so that one run shows them all.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

ALIKE = 0.6  # of a word, from which another is offered for it


class TieupError(Exception):
    """Base of the family; carries one or more complete messages.

    Parameters
    ----------
    *problems
        One message per problem, each naming its place (file, line, column, key).
    """

    def __init__(self, *problems: str) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class ConfigError(TieupError):
    """job.yaml or a shipped settings file cannot be understood."""


class InputError(TieupError):
    """A data file cannot be read, or its content is impossible."""


class NetworkError(TieupError):
    """What was observed cannot be made into one solvable network."""


class AdjustmentError(TieupError):
    """The least-squares solution failed: singular, or it did not converge.

    ``setups`` are the labels of those that could not be placed, the worst first. ``sight`` is
    the number of the sight that keeps it from converging, -1 where it is not known.
    """

    def __init__(self, *problems: str, setups: tuple[str, ...] = (), sight: int = -1) -> None:
        super().__init__(*problems)
        self.setups = setups
        self.sight = sight


class OutputError(TieupError):
    """A result cannot be written."""


class EngineError(TieupError):
    """What many jobs are spread over does not answer, was lost, or cannot do the work."""


class EngineLostError(EngineError):
    """An engine was lost while it worked: some of the jobs are done."""


def place_of(error: BaseException) -> str:
    """Say where in the tool something failed that nobody foresaw, and how, in one line."""
    import traceback

    frames = traceback.extract_tb(error.__traceback__)
    here = str(Path(__file__).parent)
    inside = [frame for frame in frames if frame.filename.startswith(here)] or list(frames)
    detail = " ".join(f"{type(error).__name__} {error}".split())
    return f"{Path(inside[-1].filename).name}:{inside[-1].lineno} {inside[-1].name}: {detail}"


def did_you_mean(word: str, known: Iterable[str] | Mapping[str, str], alike: float = ALIKE) -> str:
    """Suggest the nearest known word whatever its capitals; empty where none is near.

    A mapping gives words in small letters, and how a message writes them.

    >>> did_you_mean("cp11", ["CP1", "T5"]), did_you_mean("x", ["CP1"])
    ('Did you mean CP1?', '')
    """
    from difflib import get_close_matches

    written = known if isinstance(known, Mapping) else {other.lower(): other for other in known}
    near = get_close_matches(word.lower(), list(written), 1, alike)
    return f"Did you mean {written[near[0]]}?" if near else ""
