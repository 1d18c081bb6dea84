"""Small job folders for the tests of reading."""

from __future__ import annotations

from pathlib import Path

from tieup.config import load_job
from tieup.model.fieldbook import Fieldbook
from tieup.model.job import Job
from tieup.read import read_fieldbook

HEADER = "setup,point,direction,zenith,distance"
GOOD = "S1,P{n},{n}.5,90.25,12.{n:03d}"


def make_job(
    folder: Path,
    raw: dict[str, str | bytes],
    *,
    angle: str = "deg",
    length: str = "m",
    more: str = "",
) -> Job:
    """Write raw files (their names relative to ``raw/``) and a job.yaml, and load the job."""
    for name, content in raw.items():
        path = folder / "raw" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    pattern = "" if "raw:" in more else 'raw: ["raw/**/*.*"]\n'
    text = f"units: {{angle: {angle}, length: {length}}}\n{pattern}{more}\n"
    (folder / "job.yaml").write_text(text, encoding="utf-8")
    return load_job(folder)


def read_raw(
    folder: Path,
    raw: str | bytes | dict[str, str | bytes],
    *,
    angle: str = "deg",
    length: str = "m",
    more: str = "",
) -> Fieldbook:
    """Read raw text as ``raw/a.csv`` of a job, or several files by name."""
    files = raw if isinstance(raw, dict) else {"a.csv": raw}
    return read_fieldbook(make_job(folder, files, angle=angle, length=length, more=more))


def good_rows(count: int) -> str:
    """Return rows of degrees that nothing is wrong with, for `HEADER`."""
    return "".join(GOOD.format(n=n) + "\n" for n in range(1, count + 1))


def lines_of(book: Fieldbook) -> dict[str, int]:
    """Return the line of each point."""
    names = [book.points[i] for i in book.shots.point]
    return dict(zip(names, book.shots.line.tolist(), strict=True))


def labels_of(book: Fieldbook) -> list[str]:
    """Return the setup label of each shot."""
    return [book.setups[i].label for i in book.shots.setup]
