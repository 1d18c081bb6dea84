"""What must not change a result: the frame, the order of rows, what things are called.

The first tests go through reduction, start values and adjustment with random changes; the last
through whole runs of the job with mistakes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tests.diagnose.cases import case_of
from tests.endtoend.jobs import Output, copy_sample, only_measured, reconcile
from tests.simulate import Survey, random_site, simulate
from tests.simulate.scenery import ControlKind, Kind
from tests.simulate.survey import take
from tieup.adjust.pointings import examine_pointings
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.solve import solve
from tieup.geometry import wrap_half
from tieup.model.arrays import FloatArray
from tieup.model.settings import Precision

SAME_PLACE = 1e-7  # m
SAME_STATISTIC = 1e-6
SITES: tuple[tuple[Kind, ControlKind], ...] = (
    ("mixed", "held"), ("occupied", "weighted"), ("free", "none"), ("occupied", "none"),
)  # fmt: skip

each_site = pytest.mark.parametrize(("kind", "control"), SITES)
few = settings(
    max_examples=8, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate]
)


@dataclass(frozen=True)
class Answer:
    """What one solution says: places and axes by name, statistics by raw row."""

    place: dict[str, FloatArray]
    axis: dict[str, FloatArray]
    covariance: dict[str, FloatArray]
    row: FloatArray
    mdb: FloatArray
    dof: int
    weighted_sum: float


@cache
def survey_of(kind: Kind, control: ControlKind) -> Survey:
    """Return one draw of a site of three setups."""
    rng = np.random.default_rng(40)
    site = random_site(rng, setups=3, kind=kind, control=control, side_shots=3)
    return simulate(site, Precision(), rng)


@cache
def plain(kind: Kind, control: ControlKind) -> Answer:
    """Return its answer as it was drawn."""
    return answer(case_of(survey_of(kind, control)))


def answer(case: Case) -> Answer:
    """Solve a case."""
    solved = solve(case)
    a, network = solved.adjustment, solved.network
    tests = examine_pointings(a, network.sights, solved.reduction.pointings)
    place = a.position + network.origin
    axis = np.column_stack([a.axis + network.origin, a.orientation])
    names = network.point_names
    return Answer(
        place=dict(zip(names, place, strict=True)),
        axis=dict(zip(network.setup_labels, axis, strict=True)),
        covariance=dict(zip(names, a.point_covariance, strict=True)),
        row=np.hstack([tests.redundancy, tests.w, tests.statistic]),
        mdb=tests.mdb,
        dof=tests.dof,
        weighted_sum=tests.weighted_sum,
    )


def assert_same_statistics(one: Answer, other: Answer, within: float = SAME_STATISTIC) -> None:
    """Compare redundancy numbers, w, statistics, v'Pv; mdb in parts of itself; dof."""
    np.testing.assert_allclose(one.row, other.row, rtol=0, atol=within, equal_nan=True)
    np.testing.assert_allclose(one.mdb, other.mdb, rtol=within, atol=0, equal_nan=True)
    assert one.dof == other.dof
    assert one.weighted_sum == pytest.approx(other.weighted_sum, abs=within)


def assert_same_shape(one: Answer, other: Answer) -> None:
    """Compare all distances between places and all elevations."""
    names = list(other.place)
    ours, theirs = (np.array([a.place[name] for name in names]) for a in (one, other))
    gaps = [np.linalg.norm(p[:, None, :2] - p[None, :, :2], axis=2) for p in (ours, theirs)]
    np.testing.assert_allclose(gaps[0], gaps[1], rtol=0, atol=SAME_PLACE)
    np.testing.assert_allclose(ours[:, 2], theirs[:, 2], rtol=0, atol=SAME_PLACE)


def moved(case: Case, turn: float, shift: FloatArray) -> Case:
    """Turn the control about the origin, clockwise by ``turn``, and shift it."""
    if case.control is None:
        return case
    cos, sin = math.cos(turn), math.sin(turn)
    matrix = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    given = case.control.coordinates @ matrix.T + shift
    control = replace(case.control, coordinates=given)
    return replace(case, control=control, given=control)


@pytest.mark.parametrize(("kind", "control"), SITES[:2])
@given(
    turn=st.floats(-math.pi, math.pi),
    north=st.sampled_from([0.0, -3000.0, 5_000_000.0]),
    east=st.sampled_from([0.0, 500_000.0, -77.5]),
    up=st.sampled_from([0.0, 2_000.0, -30.0]),
)
@few
def test_another_frame_changes_nothing_but_the_frame(
    kind: Kind, control: ControlKind, turn: float, north: float, east: float, up: float
) -> None:
    """Control turned and shifted, to the size of a national grid: the site follows as a whole."""
    before, shift = plain(kind, control), np.array([north, east, up])
    after = answer(moved(case_of(survey_of(kind, control)), turn, shift))
    # A grid coordinate of 5e6 m is a float to 5e-10 m: 1e-6 of the sd of a distance.
    assert_same_statistics(after, before, within=3e-6)
    cos, sin = math.cos(turn), math.sin(turn)
    matrix = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    for name, place in before.place.items():
        assert np.abs(after.place[name] - (matrix @ place + shift)).max() < SAME_PLACE
        turned = matrix @ before.covariance[name] @ matrix.T
        assert np.abs(after.covariance[name] - turned).max() < 1e-12  # m^2: 1e-6 of (1 mm)^2
    for label, axis in before.axis.items():
        assert np.abs(after.axis[label][:3] - (matrix @ axis[:3] + shift)).max() < SAME_PLACE
        assert abs(wrap_half(after.axis[label][3] - axis[3] - turn)) < 1e-9  # rad


@each_site
@given(turns=st.lists(st.floats(0.0, 2.0 * math.pi), min_size=3, max_size=3))
@few
def test_the_zero_of_a_circle_changes_nothing_but_its_orientation(
    kind: Kind, control: ControlKind, turns: list[float]
) -> None:
    """Each setup's circle turned by an angle of its own; a free site keeps its shape."""
    case = case_of(survey_of(kind, control))
    by = np.array(turns)[case.shots.setup]
    shots = replace(case.shots, direction=np.mod(case.shots.direction + by, 2.0 * math.pi))
    before, after = plain(kind, control), answer(replace(case, shots=shots))
    assert_same_statistics(after, before)
    assert_same_shape(after, before)
    if control == "none":
        return
    for name, place in before.place.items():
        np.testing.assert_allclose(after.place[name], place, rtol=0, atol=SAME_PLACE)
    for (label, axis), turn in zip(before.axis.items(), turns, strict=True):
        assert abs(wrap_half(after.axis[label][3] - axis[3] + turn)) < 1e-9  # rad


@each_site
@given(seed=st.integers(0, 2**32 - 1))
@few
def test_the_order_of_rows_changes_nothing(kind: Kind, control: ControlKind, seed: int) -> None:
    """All raw rows shuffled, the setups among each other too."""
    case = case_of(survey_of(kind, control))
    order = np.random.default_rng(seed).permutation(len(case.shots))
    after = answer(replace(case, shots=take(case.shots, order), use=case.use[order]))
    back = np.argsort(order)
    before = plain(kind, control)
    assert_same_statistics(replace(after, row=after.row[back], mdb=after.mdb[back]), before)
    for name, place in before.place.items():
        np.testing.assert_allclose(after.place[name], place, rtol=0, atol=SAME_PLACE)


@each_site
@given(seed=st.integers(0, 2**32 - 1))
@few
def test_the_order_of_setups_points_and_control_changes_nothing(
    kind: Kind, control: ControlKind, seed: int
) -> None:
    """Everything numbered anew."""
    rng = np.random.default_rng(seed)
    case = case_of(survey_of(kind, control))
    setups, points = rng.permutation(len(case.setups)), rng.permutation(len(case.points))
    shots = replace(
        case.shots,
        setup=np.argsort(setups)[case.shots.setup],
        point=np.argsort(points)[case.shots.point],
    )
    given = case.control
    if given is not None:
        rows = rng.permutation(len(given.names))
        given = replace(
            given,
            names=tuple(given.names[i] for i in rows),
            coordinates=given.coordinates[rows],
            sd=given.sd[rows],
        )
    renumbered = replace(
        case,
        shots=shots,
        setups=tuple(case.setups[i] for i in setups),
        booked=tuple(case.setups[i] for i in setups),
        points=tuple(case.points[i] for i in points),
        control=given,
        given=given,
    )
    before, after = plain(kind, control), answer(renumbered)
    assert_same_statistics(after, before)
    for name, place in before.place.items():
        np.testing.assert_allclose(after.place[name], place, rtol=0, atol=SAME_PLACE)


NAMES = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=8
)


@each_site
@given(names=st.lists(NAMES, min_size=40, max_size=40, unique=True))
@few
def test_names_change_nothing_but_the_names(
    kind: Kind, control: ControlKind, names: list[str]
) -> None:
    """Points and setups renamed, letters of any script, digits and signs."""
    case = case_of(survey_of(kind, control))
    new = dict(zip(case.points, names, strict=False))
    labels = [f"{name}|" for name in names[-len(case.setups) :]]
    setups = tuple(
        replace(setup, label=label, name=label, station=new.get(setup.station, ""))
        for setup, label in zip(case.setups, labels, strict=True)
    )
    given = case.control
    if given is not None:
        given = replace(given, names=tuple(new[name] for name in given.names))
    renamed = replace(
        case, setups=setups, booked=setups, points=tuple(new[p] for p in case.points),
        control=given, given=given,
    )  # fmt: skip
    before, after = plain(kind, control), answer(renamed)
    assert_same_statistics(after, before)
    back = {name: old for old, name in new.items()}
    after = replace(after, place={back[name]: place for name, place in after.place.items()})
    if given is None:  # a free site stands on its first setup by name
        after, before = from_one_mark(after, case.points[0]), from_one_mark(before, case.points[0])
        assert_same_shape(after, before)
        return
    for name, place in before.place.items():
        np.testing.assert_allclose(after.place[name], place, rtol=0, atol=SAME_PLACE)


def from_one_mark(one: Answer, mark: str) -> Answer:
    """Return an answer with every place taken from that of a mark."""
    place = {name: own - one.place[mark] for name, own in sorted(one.place.items())}
    return replace(one, place=place)


@given(scale=st.floats(1.0, 4.0))
@few
def test_sds_all_larger_by_one_factor_change_no_coordinate(scale: float) -> None:
    """Stated sds and control sds times a factor: same places, w divided by it, same redundancy.

    On a site without a significant axis error of the instrument: that is applied or not. What
    centring does at a distance is taken at the start values, which differ by parts of a mm.
    """
    kind, control = SITES[0]
    case, before = case_of(survey_of(kind, control)), plain(kind, control)
    gear = {
        name: replace(
            g,
            direction=g.direction * scale,
            zenith=g.zenith * scale,
            distance_constant=g.distance_constant * scale,
            distance_ppm=g.distance_ppm * scale,
        )
        for name, g in case.precision.instruments.items()
    }
    p = case.precision
    precision = replace(
        p,
        instruments=gear,
        centring_instrument=p.centring_instrument * scale,
        centring_target=p.centring_target * scale,
        height_instrument=p.height_instrument * scale,
        height_target=p.height_target * scale,
    )
    assert case.control is not None
    known = replace(case.control, sd=case.control.sd * scale)
    after = answer(replace(case, precision=precision, control=known, given=known))
    for name, place in before.place.items():
        np.testing.assert_allclose(after.place[name], place, rtol=0, atol=SAME_PLACE)
    redundancy, w = after.row[:, :3], after.row[:, 3:6] * scale
    np.testing.assert_allclose(redundancy, before.row[:, :3], rtol=0, atol=1e-4, equal_nan=True)
    np.testing.assert_allclose(w, before.row[:, 3:6], rtol=0, atol=1e-3, equal_nan=True)


# Whole runs --------------------------------------------------------------------------------


def summary(run: Output) -> dict[str, Any]:
    """Return what a run says of its mistakes, without names of lines."""
    return {
        f["id"]: (f["kind"], f["severity"], f["setup"], f["points"], f["action"], len(f["lines"]))
        for f in run.findings
    }


def edited(job: Path, edit: Callable[[list[str]], list[str]]) -> Path:
    """Change the rows below the header of every raw file."""
    for path in sorted((job / "raw").glob("*.csv")):
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        path.write_text("".join([lines[0], *edit(lines[1:])]), encoding="utf-8")
    return job


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shuffled_raw_files_give_the_same_coordinates_and_findings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], undecided: Output, seed: int
) -> None:
    """Each file's rows in another order, the times with them: same places, same ids."""
    rng = np.random.default_rng(seed)

    def shuffle(lines: list[str]) -> list[str]:
        return [lines[i] for i in rng.permutation(len(lines))]

    run = reconcile(capsys, edited(copy_sample("fire_station", tmp_path), shuffle))
    assert run.status == undecided.status
    assert summary(run).items() >= summary(undecided).items()
    for name in undecided.by("coordinates", "point"):
        assert math.dist(run.place(name), undecided.place(name)) < 2e-4  # m, two last digits


def test_a_national_grid_gives_the_same_site(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], undecided: Output
) -> None:
    """Control 5,000,000 m north and 500,000 m east: coordinates and findings follow."""
    job = copy_sample("fire_station", tmp_path)
    lines = (job / "control.csv").read_text(encoding="utf-8").splitlines()
    rows = [line.split(",") for line in lines[1:]]
    for row in rows:
        row[1], row[2] = f"{float(row[1]) + 5e6:.4f}", f"{float(row[2]) + 5e5:.4f}"
    text = "\n".join([lines[0], *(",".join(row) for row in rows)]) + "\n"
    (job / "control.csv").write_text(text, encoding="utf-8")
    run = reconcile(capsys, job)
    assert summary(run) == summary(undecided)
    for name in undecided.by("coordinates", "point"):
        north, east, up = run.place(name)
        assert math.dist((north - 5e6, east - 5e5, up), undecided.place(name)) < 2e-4  # m
    for one, other in zip(run.table("observations"), undecided.table("observations"), strict=True):
        assert one["w"] == other["w"] or float(one["w"]) == pytest.approx(
            float(other["w"]), abs=2e-4
        )


def test_other_names_give_the_same_site(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], undecided: Output
) -> None:
    """Every mark and setup renamed with nothing in common: same places, kinds and lines."""
    job = only_measured(copy_sample("fire_station", tmp_path))
    rng = np.random.default_rng(4)
    letters = np.array(list("BCDFGHJKLMNPQRSTVWXZ"))
    rows = undecided.table("coordinates")
    points = [row["point"] for row in rows if row["role"] != "derived"]
    names = {p: "".join(letters[rng.integers(0, 20, 6)]) for p in [*points, "540"]}
    for number, setup in enumerate(("S1", "S2", "S3", "S4", "S5")):
        names[setup] = f"Stand {'VWXYZ'[number]}"
    header = (job / "raw" / "s1.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert len(set(names.values())) == len(names)

    def rename(lines: list[str], columns: list[str]) -> list[str]:
        out = []
        for line in lines:
            cells = line.rstrip("\n").split(",")
            for column in ("setup", "station", "point"):
                if column in columns:
                    place = columns.index(column)
                    cells[place] = names.get(cells[place], cells[place])
            out.append(",".join(cells) + "\n")
        return out

    for path in [*(job / "raw").glob("*.csv"), job / "control.csv"]:
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        columns = lines[0].rstrip("\n").split(",")
        path.write_text(lines[0] + "".join(rename(lines[1:], columns)), encoding="utf-8")
    assert "station" not in header or header.index("station") > 0
    run = reconcile(capsys, job)
    assert run.status == undecided.status
    told = {(f["kind"], *f["lines"]): f for f in run.findings if f["severity"] != "note"}
    before = {(f["kind"], *f["lines"]): f for f in undecided.findings if f["severity"] != "note"}
    assert set(told) == set(before)
    for key, finding in before.items():
        size, sd = finding["size"], finding["sd"] or 0.0  # m; a size ends at two digits of its sd
        near = size if size is None else pytest.approx(size, rel=1e-4, abs=0.11 * sd)
        assert told[key]["size"] == near
        assert told[key]["points"] == sorted(names[p] for p in finding["points"]) or set(
            told[key]["points"]
        ) == {names[p] for p in finding["points"]}
    for name in points:
        if "@" not in name:
            assert math.dist(run.place(names[name]), undecided.place(name)) < 2e-4  # m


@pytest.mark.parametrize("files", [(0, 0, 0, 0, 0), (0, 1, 0, 1, 2), (4, 3, 2, 1, 0)])
def test_setups_in_other_files_give_the_same_site(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], undecided: Output, files: tuple[int, ...]
) -> None:
    """All five setups in one file, in three, and the files in another order: the same to a digit.

    A setup stays in one file: there its label names it. A row that cannot be read is nothing but
    its line, so is its id.
    """
    job = copy_sample("fire_station", tmp_path)
    texts: dict[int, list[str]] = {}
    for number, path in zip(files, sorted((job / "raw").glob("*.csv")), strict=True):
        header, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
        texts.setdefault(number, [header]).extend(rows)
        assert texts[number][0] == header
        path.unlink()
    for number, lines in texts.items():
        (job / "raw" / f"book{number}.csv").write_text("".join(lines), encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == undecided.status
    told, before = summary(run), summary(undecided)
    assert sorted(told.values(), key=str) == sorted(before.values(), key=str)
    assert {i for i in told if told[i][0] != "unreadable-row"} == {
        i for i in before if before[i][0] != "unreadable-row"
    }
    for name, row in undecided.by("coordinates", "point").items():
        assert math.dist(run.place(name), undecided.place(name)) < 1.5e-4  # m: one last digit
        assert (run.by("coordinates", "point")[name]["proof"]) == row["proof"]
