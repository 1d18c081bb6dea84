"""What raw rows show by themselves: copies, faces, clocks, closing looks, cut files, axes."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.diagnose.cases import a_job, case_of
from tests.simulate import InstrumentFault, Survey, mistakes, random_site, simulate
from tests.simulate.mistakes import plant
from tests.simulate.survey import with_shots
from tieup.config import load_job
from tieup.diagnose.basis.phrases import Phrases
from tieup.diagnose.basis.solve import solve
from tieup.diagnose.names.identity import identity_findings
from tieup.diagnose.row_checks.row_checks import row_findings
from tieup.model.fieldbook import Fieldbook
from tieup.model.finding import Finding
from tieup.model.settings import Precision
from tieup.pipeline import make_case
from tieup.read import read_control, read_fieldbook

SAMPLES = Path(__file__).parents[2] / "sample_raw"
ROWS = (
    "repeated-row", "face", "time-order", "no-closing-backsight", "truncated", "collimation",
    "vertical-index",
)  # fmt: skip
FOOT = 0.3048  # m


def findings_of(survey: Survey, unit: str = "m", **fieldbook: Any) -> list[Finding]:
    book = replace(survey.fieldbook, **fieldbook)
    return row_findings(book, solve(case_of(survey)), Phrases(unit))


@pytest.mark.parametrize("seed", range(20))
def test_clean_rows_raise_nothing(seed: int) -> None:
    """A clean job has no finding of rows at all."""
    assert findings_of(a_job(seed)) == []


@pytest.mark.parametrize("name", ["fire_station_clean", "two_setups"])
def test_the_clean_samples_raise_nothing(name: str) -> None:
    """Nor have the clean sample jobs, names included."""
    job = load_job(SAMPLES / name)
    book = read_fieldbook(job)
    assert job.control_file is not None
    solved = solve(make_case(job, book, read_control(job.control_file, job)))
    assert row_findings(book, solved) == []
    assert identity_findings(solved) == []


@pytest.mark.parametrize("kind", ROWS)
@pytest.mark.parametrize("seed", range(10))
def test_a_planted_mistake_of_rows_is_the_only_finding(kind: str, seed: int) -> None:
    """Kind, setup and lines are those planted, and nothing else is said."""
    survey = plant(a_job(seed), kind, np.random.default_rng(seed))
    true = survey.planted[-1]
    (finding,) = findings_of(survey)
    assert (finding.kind, finding.setup) == (kind, true.setup)
    assert set(finding.lines) <= set(true.lines)
    if kind in ("repeated-row", "face", "truncated"):
        assert finding.lines == true.lines
        assert finding.points == true.points


@pytest.mark.parametrize("kind", ["collimation", "vertical-index"])
@pytest.mark.parametrize("seed", range(6))
def test_an_axis_error_of_one_setup_is_given_with_its_size(kind: str, seed: int) -> None:
    """The setup's own axis error comes out within 4 of its sds; above 20" it is to be checked."""
    survey = plant(a_job(seed), kind, np.random.default_rng(seed))
    size = survey.planted[-1].size
    (finding,) = findings_of(survey)
    assert size is not None and finding.size is not None and finding.sd is not None
    assert abs(finding.size - size) < 4.0 * finding.sd
    assert finding.sd < 1.0  # arc seconds: 2" gear, four marks or more
    assert finding.severity == ("check" if abs(finding.size) > 20.0 else "note")


@pytest.mark.parametrize(("size", "severity"), [(6.0, None), (14.0, "note"), (35.0, "check")])
def test_an_axis_error_of_the_instrument_is_one_finding(size: float, severity: str) -> None:
    """Limits of 10" and 20" (common practice, no source); the whole instrument, one finding."""
    rng = np.random.default_rng(4)
    site = random_site(rng, setups=4)
    faults = {"default": InstrumentFault(collimation=size * np.pi / 648_000.0)}
    found = findings_of(simulate(replace(site, faults=faults), Precision(), rng))
    assert [(f.kind, f.setup, f.severity) for f in found] == (
        [("collimation", "", severity)] if severity else []
    )
    assert all(abs(f.size - size) < 4.0 * f.sd for f in found if f.size and f.sd)


def test_copies_are_counted_once_over_all_setups() -> None:
    """Copies in two setups are one finding with every line."""
    survey = a_job(3, setups=3)
    survey = mistakes.repeated_rows(survey, survey.rows("S1")[2:4])
    survey = mistakes.repeated_rows(survey, survey.rows("S3")[5:6])
    (finding,) = findings_of(survey)
    assert (finding.kind, finding.severity, finding.setup) == ("repeated-row", "note", "")
    lines = {line for planted in survey.planted for line in planted.lines}
    assert set(finding.lines) == lines
    assert "3 times" in finding.says
    assert "in every cell, clock included, 3 times" in finding.says
    (finding,) = findings_of(with_shots(survey, time=np.full(len(survey), np.nan)))
    assert "in every cell 3 times" in finding.says  # rows without a clock have none to include


def test_a_missing_face_column_is_one_finding() -> None:
    """All faces booked as 1: one note for the site instead of one a setup."""
    survey = a_job(3)
    survey = with_shots(survey, face=np.ones(len(survey), dtype=np.int64))
    (finding,) = findings_of(survey)
    assert (finding.kind, finding.severity, finding.setup) == ("face", "note", "")
    assert len(finding.lines) == np.sum(survey.shots.zenith > np.pi)


def clock(survey: Survey, setup: str, start: int, seconds: float) -> Survey:
    return mistakes.clock_changed(survey, survey.rows(setup)[start:], seconds)


def test_a_clock_set_back_by_an_hour_is_given_with_its_size() -> None:
    """The step is -3600 s against the pace of the rows, at the row where it happens."""
    survey = clock(a_job(3), "S2", 12, -3600.0)
    (finding,) = findings_of(survey)
    assert (finding.kind, finding.severity) == ("time-order", "check")
    assert finding.size == pytest.approx(-3600.0, abs=1.0)  # s
    assert finding.lines == survey.lines(survey.rows("S2")[12:13])
    assert "1 h: the clock was set" in finding.says


def test_a_jump_ahead_by_a_whole_hour_is_a_note_and_a_pause_is_none() -> None:
    """Exactly an hour looks like a set clock; fifty minutes are a break."""
    (finding,) = findings_of(clock(a_job(3, setups=1), "S1", 12, 3600.0))
    assert (finding.kind, finding.severity) == ("time-order", "note")
    assert findings_of(clock(a_job(3, setups=1), "S1", 12, 3000.0)) == []


def test_rows_sorted_by_name_are_said_to_be_out_of_order() -> None:
    """Many steps back are one finding about the order, and no closing look is missed for it."""
    survey = a_job(2, setups=3)
    time = survey.shots.time.copy()
    rows = survey.rows("S1")
    time[rows] = np.random.default_rng(1).permutation(time[rows])
    found = findings_of(with_shots(survey, time=time))
    assert "not in the order of time" in next(f for f in found if f.kind == "time-order").says


def test_setups_that_overlap_by_the_clock_are_noted() -> None:
    """With unnamed instruments two may have been at work; with named ones the clock is wrong."""
    survey = a_job(3, setups=3)
    whole = survey.rows("S2")
    early = mistakes.clock_changed(survey, whole, -1200.0)
    (finding,) = findings_of(early)
    assert (finding.kind, finding.severity, finding.setup) == ("time-order", "note", "S2")
    gear = {**survey.precision.instruments, "A": survey.precision.instruments["default"]}
    named = replace(
        early,
        setups=tuple(replace(s, instrument="A") for s in early.setups),
        precision=replace(early.precision, instruments=gear),
    )
    (finding,) = findings_of(named)
    assert finding.severity == "check"


def test_a_crew_that_never_closes_gets_one_finding() -> None:
    """All setups open at the end: one finding; one of them: that setup."""
    survey = a_job(4, setups=4)
    for setup in survey.setups:
        survey = mistakes.no_closing_backsight(survey, setup.label)
    (finding,) = findings_of(survey)
    assert (finding.kind, finding.setup) == ("no-closing-backsight", "")
    assert "S1, S2, S3 and S4" in finding.says


def test_the_last_setup_without_a_closing_look_may_be_a_cut_export() -> None:
    """Where the others closed, a cut export is the inseparable rival; elsewhere it is not."""
    survey = a_job(4, setups=4)
    (last,) = findings_of(mistakes.no_closing_backsight(survey, "S4"))
    assert [(r.kind, r.separable) for r in last.rivals] == [("truncated", False)]
    (other,) = findings_of(mistakes.no_closing_backsight(survey, "S2"))
    assert other.rivals == ()


def test_a_setup_of_marks_alone_needs_no_closing_look() -> None:
    """Without work shots there is nothing that a knock could have spoiled."""
    assert findings_of(a_job(4, side_shots=0)) == []


def test_a_cut_file_is_a_stop_and_an_unreadable_row_is_not() -> None:
    """The last row without its distance is a cut export; a bad cell in the last row is none."""
    survey = a_job(5)
    (finding,) = findings_of(mistakes.truncated(survey, survey.files[-1], 12))
    assert (finding.kind, finding.severity) == ("truncated", "stop")
    last = len(survey) - 1
    (finding,) = findings_of(mistakes.unreadable(survey, last, "zenith", "91-72-10.4"))
    assert (finding.kind, finding.severity) == ("unreadable-row", "check")
    assert "91-72-10.4" in finding.says


def test_a_label_of_two_setups_is_said() -> None:
    """S1 levelled up again, S1 in two files: kept apart, each said once."""
    survey = a_job(6, setups=3, kind="free")
    again = tuple(
        replace(s, label=label, name="S1", file=file)
        for s, label, file in zip(
            survey.setups,
            ("S1", "S1~2", "S3"),
            ("raw/a.csv", "raw/a.csv", "raw/a.csv"),
            strict=True,
        )
    )
    again = (again[0], again[1], replace(again[2], name="S3"))
    (finding,) = findings_of(replace(survey, setups=again))
    assert (finding.kind, finding.severity, finding.setup) == ("setup-reused", "check", "S1~2")
    files = tuple(
        replace(s, label=f"S1@{n}.csv", name="S1", file=f"raw/{n}.csv")
        for n, s in enumerate(survey.setups)
    )
    (finding,) = findings_of(replace(survey, setups=files))
    assert (finding.kind, finding.severity, finding.setup) == ("setup-reused", "note", "")


def test_an_occupied_setup_without_a_height_is_said() -> None:
    """The setup takes its height from its sights; the finding names setup and mark."""
    survey = a_job(2, setups=3, kind="occupied")
    first, *rest = survey.setups
    survey = replace(survey, setups=(replace(first, instrument_height=np.nan), *rest))
    (finding,) = findings_of(survey)
    assert (finding.kind, finding.severity) == ("instrument-height", "check")
    assert (finding.setup, finding.points) == (first.label, (first.station,))


def stored(survey: Survey, typed: Mapping[int, float], offset: float = 0.0) -> Survey:
    """Let the field store true elevations, rounded to mm, and ``typed`` ones by row."""
    truth = survey.truth.position[survey.aimed]
    field = np.column_stack([truth[:, :2], np.round(truth[:, 2] + offset, 3)])
    for row, value in typed.items():
        field[row, 2] = value
    return with_shots(survey, field_coordinates=field)


def test_a_typed_elevation_is_found_by_recomputing_it() -> None:
    """Design grades typed over two shots are named with the size of the largest."""
    survey = a_job(4)
    rows = survey.rows("S2", role="side")[3:5]
    true = survey.truth.position[survey.aimed[rows], 2]
    values = np.floor(true * 2.0) / 2.0 - 0.5
    survey = stored(survey, dict(zip(rows.tolist(), values.tolist(), strict=True)))
    (finding,) = findings_of(survey)
    assert (finding.kind, finding.severity, finding.setup) == ("hand-typed", "check", "S2")
    assert finding.lines == survey.lines(rows)
    worst = (values - true)[np.argmax(np.abs(values - true))]
    assert finding.size == pytest.approx(worst, abs=0.02)  # m; heights of the site, not the truth


def test_a_typed_elevation_in_feet_is_judged_in_feet() -> None:
    """330.50 ft is round in feet and not in metres."""
    survey = a_job(4)
    row = int(survey.rows("S2", role="side")[3])
    survey = stored(survey, {row: 330.5 * FOOT})
    assert [f.kind for f in findings_of(survey, "ft")] == ["hand-typed"]
    assert findings_of(survey, "m") == []


def test_a_common_offset_of_a_setup_is_no_typing() -> None:
    """The field solved its station 0.25 m lower: all rows share it, none was typed."""
    assert findings_of(stored(a_job(4), {}, offset=-0.25)) == []


def test_an_elevation_without_a_zenith_angle_was_typed() -> None:
    """Nothing measured it."""
    survey = a_job(4)
    row = int(survey.rows("S3", role="side")[2])
    survey = stored(survey, {})
    zenith = survey.shots.zenith.copy()
    zenith[row] = np.nan
    (finding,) = findings_of(with_shots(survey, zenith=zenith))
    assert finding.kind == "hand-typed"
    assert finding.lines == survey.lines(np.array([row]))
    assert finding.size is None


def test_findings_of_rows_speak_plainly() -> None:
    """Each says what, how to confirm and how to cure, in plain words."""
    texts: list[str] = []
    for kind in ROWS:
        survey = plant(a_job(4), kind, np.random.default_rng(4))
        for finding in findings_of(survey):
            texts += [finding.says, finding.confirm, finding.cure]
    assert len(texts) == 3 * len(ROWS)
    assert all(text and text[-1] == "." and "sigma" not in text.lower() for text in texts)


def test_ids_tell_findings_of_one_kind_apart() -> None:
    """Two setups without a closing look, two files cut: different ids, the same each run."""
    survey = a_job(4, setups=5)
    for setup in ("S2", "S4"):
        survey = mistakes.no_closing_backsight(survey, setup)
    first, again = (findings_of(survey) for _ in range(2))
    assert len({finding.id for finding in first}) == 2
    assert [finding.id for finding in first] == [finding.id for finding in again]


def test_an_empty_file_list_is_no_trouble() -> None:
    """A field book without invalid rows and files without rows of their own are fine."""
    survey = a_job(4)
    book: Fieldbook = survey.fieldbook
    assert (
        findings_of(survey, files=(*book.files, replace(book.files[0], name="raw/none.csv"))) == []
    )


@pytest.mark.parametrize("name", ["raw/S9.CSV", "raw/day2/s9.csv", "raw/s9.txt"])
def test_a_table_among_the_raw_files_that_is_not_read_is_told(tmp_path: Path, name: str) -> None:
    """A setup that silently is not there looks like a site that ties."""
    folder = tmp_path / "job"
    shutil.copytree(Path(__file__).parents[2] / "sample_raw" / "two_setups", folder)
    assert not read_fieldbook(load_job(folder)).beside
    (folder / name).parent.mkdir(exist_ok=True)
    shutil.copy(folder / "raw" / "s1.csv", folder / name)
    (folder / "raw" / "sketch.jpg").touch()
    assert read_fieldbook(load_job(folder)).beside == (name,)
