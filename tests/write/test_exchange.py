"""Files for other programs: what goes into them, strings, the plain text, the options."""

from __future__ import annotations

import csv
import importlib.util
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from io import StringIO
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.write.exchange_site import content_of, hostile_site, number, row, truth
from tests.write.sample import make_job, make_site, table
from tieup import cli
from tieup.errors import OutputError
from tieup.model.job import Job
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import COORDINATES, STRINGS
from tieup.write.exchange.escapes import XML_FORBIDDEN, escaped, restored
from tieup.write.exchange.formats import FORMATS, Exchange
from tieup.write.exchange.geo import geopackage_bytes
from tieup.write.exchange.landxml import landxml_text
from tieup.write.exchange.pnezd import pnezd_text
from tieup.write.folder import write_results, writers_of

ROOT = Path(__file__).parents[2]
METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937}  # NIST Handbook 44, appendix C
CLOCK = "2024-05-01T10:00:00+00:00"


def pnezd_rows(text: str) -> list[list[str]]:
    """Read points.txt with Python's own csv, comment lines apart."""
    rows = csv.reader(StringIO(text, newline=""))
    return [row for row in rows if not row[0].startswith("# ")]


def test_plain_text_is_coordinates_csv_to_the_letter(tmp_path: Path) -> None:
    """Every point with a place, in order: the same cells, hostile names and codes unchanged.

    But for line breaks, which are blanks.
    """
    site = hostile_site(tmp_path)
    columns = ("point", "northing", "easting", "elevation", "code")
    expected = [[" ".join(row[name].splitlines()) for name in columns] for row in truth(site)]
    found = pnezd_rows(pnezd_text(content_of(site)))
    assert found == expected
    assert [found[-1][0], found[-1][3]] == ["plan only", ""]  # unknown is empty, not 0


def test_plain_text_has_one_line_for_each_point(tmp_path: Path) -> None:
    """A line break in a name or code is a blank, and the head says so; without one it does not."""
    site = hostile_site(tmp_path)
    lines = pnezd_text(content_of(site)).splitlines()
    body = [line for line in lines if not line.startswith("# ")]
    said = "# Line breaks in names and codes are blanks here."
    assert len(body) == len(truth(site))
    assert sum(line.startswith("two lines three four,") for line in body) == 1
    assert said in lines
    plain = pnezd_text(content_of(make_site(tmp_path))).splitlines()
    assert said not in plain


@pytest.mark.parametrize("job_unit", METRES)
@pytest.mark.parametrize("unit", METRES)
def test_the_unit_asked_for_is_stated_and_holds(tmp_path: Path, job_unit: str, unit: str) -> None:
    """The file says its unit, and its lengths are the same lengths to half its last digit."""
    site = hostile_site(tmp_path, job_unit)
    text = pnezd_text(content_of(site, unit))
    assert f"({unit})." in text.splitlines()[1]
    assert sum(line.startswith("# ") for line in text.splitlines()) <= 5
    for cells, true in zip(pnezd_rows(text), truth(site), strict=True):
        for cell, axis in zip(cells[1:4], ("northing", "easting", "elevation"), strict=True):
            known = number(true[axis])
            assert (cell == "") == (known is None)
            if known is not None:  # both are rounded to 4 decimals: half a digit each, in m
                half = 0.5001e-4 * (METRES[job_unit] + METRES[unit])
                assert abs(float(cell) * METRES[unit] - known * METRES[job_unit]) <= half


def test_what_is_left_out_or_unproved_is_counted(tmp_path: Path) -> None:
    """The head of the file counts points without place, without elevation and unchecked ones."""
    content = content_of(hostile_site(tmp_path))
    head = [line for line in pnezd_text(content).splitlines() if line.startswith("# ")]
    unchecked = sum(row["proof"] == "unchecked" for row in truth(hostile_site(tmp_path)))
    out = "# Left out: 1 free instrument; 1 point without coordinates (nowhere)."
    assert out in head
    assert any("1 point without elevation: it is unknown, not 0." in line for line in head)
    assert any(f" {unchecked} points unchecked:" in line for line in head)
    assert "nowhere" not in {point.name for point in content.points}


def test_lines_are_the_parts_of_the_strings_table(tmp_path: Path) -> None:
    """Each part is one line in the order of the table; a lone point is none; a closed one closes.

    A free station of the same name as a mark does not take its place.
    """
    shown = [("A", 1, "DCA"), ("A", 2, "B"), ("B", 1, "ABDA"), ("A", 3, "S")]
    strings = [
        {"string": name, "code": f"code {name}", "part": part, "number": n, "point": letter}
        for name, part, letters in shown
        for n, letter in enumerate(letters, start=1)
    ]
    names = [*"ABCDS", "S"]
    site = replace(
        make_site(tmp_path),
        coordinates=table(COORDINATES, [row(n, name) for n, name in enumerate(names)]),
        strings=table(STRINGS, strings),
    )
    found = [
        (line.name, line.code, "".join(p.name for p in line.points))
        for line in content_of(site).strings
    ]
    assert found == [("A", "code A", "DCA"), ("B", "code B", "ABDA")]


@given(st.text(st.characters(exclude_categories=())), st.sampled_from(["\\u", "%"]))
def test_escapes_are_undone(text: str, mark: str) -> None:
    """Whatever the text, what XML cannot hold is gone and comes back."""
    forbidden = XML_FORBIDDEN + ("%" if mark == "%" else "")
    carried = escaped(text, forbidden, mark)
    assert restored(carried, mark) == text
    control = {character for character in carried if character < " "}
    assert control <= set("\t\n\r")
    assert not any("\ud800" <= character < "\ue000" for character in carried)


def test_one_run_gives_one_set_of_files(tmp_path: Path) -> None:
    """The files stand beside the results and in run.json; the next run without them removes them.

    Twice the same site gives the same bytes.
    """
    site, out, again = hostile_site(tmp_path), tmp_path / "out", tmp_path / "again"
    also = Exchange(tuple(FORMATS), "ft")
    paths = write_results(site, out, written=CLOCK, also=also)
    names = {name for name, _ in FORMATS.values()}
    assert {path.name for path in paths} == {*writers_of(site), *names, "run.json"}
    assert names < set(json.loads((out / "run.json").read_text())["files"])
    write_results(hostile_site(tmp_path), again, written=CLOCK, also=also)
    for path in out.iterdir():
        assert path.read_bytes() == (again / path.name).read_bytes(), path.name
    assert b"\r\n" not in (out / "points.txt").read_bytes().replace(b"lines\r\n", b"")
    write_results(site, out, written=CLOCK)
    assert {path.name for path in out.iterdir()} == {*writers_of(site), "run.json"}


def test_a_format_that_fails_leaves_everything_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All or none: the last format breaks, and neither results nor other formats are there."""

    def broken(content: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(FORMATS, "dxf", ("site.dxf", broken))
    with pytest.raises(OutputError, match="Nothing was changed"):
        write_results(
            hostile_site(tmp_path), tmp_path / "out", written=CLOCK, also=Exchange(tuple(FORMATS))
        )
    assert list(tmp_path.iterdir()) == []


def without_ezdxf(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make Python find no library ezdxf."""
    real = importlib.util.find_spec
    monkeypatch.setattr(
        "tieup.write.exchange.dxf.find_spec",
        lambda name: None if name == "ezdxf" else real(name),
    )


def solver(calls: list[Job]) -> Callable[..., Reconciliation]:
    """Return what stands in for the solver and gives the invented site."""

    def run(job: Job, progress: Callable[[str], None] | None = None) -> Reconciliation:
        calls.append(job)
        return make_site(job.folder, ties=True)

    return run


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> list[Job]:
    """Put the invented site in the place of the solver; return the jobs it was asked for."""
    calls: list[Job] = []
    config, pipeline = ModuleType("tieup.config"), ModuleType("tieup.pipeline")
    config.load_job = lambda folder: make_job(folder)  # type: ignore[attr-defined]
    pipeline.run = solver(calls)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "tieup.config", config)
    monkeypatch.setitem(sys.modules, "tieup.pipeline", pipeline)
    return calls


def test_a_missing_library_is_told_before_the_work(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    solved: list[Job],
) -> None:
    """--also dxf without ezdxf names the extra, exits 2, solves and writes nothing."""
    without_ezdxf(monkeypatch)
    assert cli.outcome(["reconcile", str(tmp_path), "--also", "dxf"]) == 2
    assert 'pip install "tieup[dxf]"' in capsys.readouterr().err
    assert (solved, list(tmp_path.iterdir())) == ([], [])
    assert cli.outcome(["reconcile", str(tmp_path), "--also", "pnezd"]) == 0


def test_the_command_takes_every_format(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], solved: list[Job]
) -> None:
    """--also may be repeated, --unit holds for its files; screen and JSON name them."""
    assert tuple(FORMATS) == cli.FORMATS
    words = [word for name in FORMATS for word in ("--also", name)]
    call = ["reconcile", str(tmp_path), *words, "--unit", "ftUS"]
    assert cli.outcome(call) == 0
    screen = capsys.readouterr().out
    assert cli.outcome([*call, "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)["files"]
    assert {file.name for file in (tmp_path / "out").iterdir()} == set(listed)
    assert all(name in screen for name, _ in FORMATS.values())
    assert "(ftUS)" in (tmp_path / "out" / "points.txt").read_text()
    northing = (tmp_path / "out" / "coordinates.csv").read_text().splitlines()[2].split(",")[1]
    assert northing == "5.0000"  # the results stay in the job's unit


@pytest.mark.parametrize("words", [["--also", "dwg"], ["--also", "pnezd", "--unit", "mm"]])
def test_an_unknown_word_is_a_wrong_call(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], solved: list[Job], words: list[str]
) -> None:
    """Formats and units are listed where one is not known."""
    assert cli.outcome(["reconcile", str(tmp_path), *words]) == 2
    assert "is not one of" in capsys.readouterr().err
    assert not solved


def test_a_unit_without_files_is_a_wrong_call(tmp_path: Path, solved: list[Job]) -> None:
    """--unit alone would do nothing, so it is refused."""
    assert cli.outcome(["reconcile", str(tmp_path), "--unit", "ft"]) == 2
    assert not solved


def test_the_files_bear_the_date_of_the_last_shot(tmp_path: Path) -> None:
    """Whenever it is written; of writing where no raw row has a time; never 1970."""
    site = hostile_site(tmp_path)
    shot = replace(site, run={**site.run, "surveyed": {"last": "2026-03-03T16:40:25"}})
    for one, date, time in ((site, "2024-05-01", "10:00:00"), (shot, "2026-03-03", "16:40:25")):
        assert f'date="{date}" time="{time}"' in landxml_text(content_of(one))
        assert f"{date}T{time}.000Z".encode() in geopackage_bytes(content_of(one))
        assert b"1970" not in geopackage_bytes(content_of(one))


SEEDED = """
import hashlib, sys
from pathlib import Path
from tests.write.exchange_site import content_of, hostile_site
from tieup.write.exchange.dxf import dxf_text
print(hashlib.sha256(dxf_text(content_of(hostile_site(Path(sys.argv[1])))).encode()).hexdigest())
"""


def test_a_drawing_is_the_same_bytes_under_every_hash_seed(tmp_path: Path) -> None:
    """Seeds 0 and 4 gave two orders of the classes that ezdxf writes."""
    pytest.importorskip("ezdxf")
    found = {
        subprocess.run(
            [sys.executable, "-c", SEEDED, str(tmp_path)],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("0", "4")
    }
    assert len(found) == 1
