"""Azimuths on a basis of bearings of their own, against own least squares with scipy.

The referee writes the observation equations out here and shares no code with the package: one
unknown turn for each basis, beside the marks, the axes and the circle zeros.
"""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import least_squares

import tieup
from tests.adjust.test_setup_pairs import check_pairs
from tests.bench.azimuth_turns import diagnosed, random_plan, write_plan
from tests.endtoend.jobs import copy_sample
from tests.endtoend.test_plan_sights import GEAR, HEADER, PLACES, SECOND, sight
from tests.published.plan_jobs import plan_job
from tieup.adjust.cofactors import covariance, point_covariance, point_functions
from tieup.adjust.hypothesis import design_matrix, everything
from tieup.config import load_job
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.solve import Solved, minimal_fit, solve
from tieup.diagnose.gross import gross
from tieup.diagnose.search.look import evidence_of, hypotheses_of
from tieup.errors import TieupError
from tieup.model.settings import Tolerances
from tieup.pipeline import make_case, read_site
from tieup.ties.site_answer import only_unused
from tieup.write.plan_screen import plan_text
from tieup.write.reconcile_screen import summary_text
from tieup.write.ties_screen import ties_text

AROUND = (("A", "B"), ("B", "C"), ("C", "D"), ("D", "A"), ("E", "A"), ("E", "C"), ("B", "E"))
ACROSS = (("A", "C"), ("D", "E"), ("C", "E"), ("B", "D"))
Row = tuple[str, str, float, float, float, int]  # ends, direction, azimuth, distance, basis


def observed(
    random: np.random.Generator, lines: list[tuple[str, str, str, int]], turn: list[float]
) -> list[Row]:
    """Return rows of (ends, what, basis); d is a circle reading, a an azimuth, h a distance."""
    zero = {name: float(random.uniform(0.0, 6.0)) for name in PLACES}
    rows = []
    for start, end, what, basis in lines:
        azimuth, far = sight(start, end)
        noise = random.normal(size=3) * [5 * SECOND, 5 * SECOND, 0.003]
        rows.append(
            (
                start,
                end,
                azimuth - zero[start] + noise[0] if "d" in what else np.nan,
                azimuth - turn[basis] + noise[1] if "a" in what else np.nan,
                far + noise[2] if "h" in what else np.nan,
                basis,
            )
        )
    return rows


def files(folder: Path, rows: list[Row], held: tuple[str, ...], more: str) -> Path:
    """Write a job with one raw file for each basis."""
    control = "".join(f"{name},{PLACES[name][0]},{PLACES[name][1]},,0,0,\n" for name in held)
    job = plan_job(folder, "", control, angle="deg", more=GEAR + more)
    (job / "raw" / "a.csv").unlink()

    def cell(value: float, *, angle: bool) -> str:
        if np.isnan(value):
            return ""
        return f"{np.degrees(value) % 360.0:.8f}" if angle else f"{value:.6f}"

    for basis in sorted({row[5] for row in rows}):
        text = HEADER
        for start, end, direction, azimuth, far, _ in (r for r in rows if r[5] == basis):
            angles = f"{cell(direction, angle=True)},{cell(azimuth, angle=True)}"
            text += f"{start},{start},{end},{angles},{cell(far, angle=False)}\n"
        (job / "raw" / f"part{basis}.csv").write_text(text, encoding="utf-8")
    return job


def referee(
    rows: list[Row], held: tuple[str, ...], turn: list[float]
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray], np.ndarray, np.ndarray]:
    """Return places and covariances of marks, turns and their covariance, by scipy.

    Each file has setups of its own, so that an axis belongs to its station and basis.
    """
    used = {row[0] for row in rows} | {row[1] for row in rows}
    marks = [name for name in PLACES if name in used and name not in held]
    axes = sorted({(row[0], row[5]) for row in rows})
    circles = sorted({(row[0], row[5]) for row in rows if np.isfinite(row[2])})
    bases = sorted({row[5] for row in rows if np.isfinite(row[3])})
    first = [PLACES[name] for name in marks] + [PLACES[name] for name, _ in axes]
    zero = []
    for axis in circles:
        row = next(r for r in rows if (r[0], r[5]) == axis and np.isfinite(r[2]))
        zero.append(sight(row[0], row[1])[0] - row[2])
    cut = 2 * len(first)

    def misfit(x: np.ndarray) -> np.ndarray:
        place = x[:cut].reshape(-1, 2)
        at = {n: np.array(PLACES[n]) for n in held} | dict(zip(marks, place, strict=False))
        axis = dict(zip(axes, place[len(marks) :], strict=True))
        turned = dict(zip(circles, x[cut : cut + len(circles)], strict=True))
        north = dict(zip(bases, x[cut + len(circles) :], strict=True))
        parts = list(np.concatenate([(axis[a] - at[a[0]]) / 0.001 for a in axes]))
        for start, end, direction, azimuth, far, basis in rows:
            ray = at[end] - axis[start, basis]
            sd = np.hypot(5 * SECOND, 0.002 / sight(start, end)[1])
            for read, by in (
                (direction, turned.get((start, basis), 0.0)),
                (azimuth, north.get(basis, 0.0)),
            ):
                if np.isfinite(read):
                    gap = np.arctan2(ray[1], ray[0]) - by - read
                    parts.append(((gap + np.pi) % (2 * np.pi) - np.pi) / sd)
            if np.isfinite(far):
                parts.append((np.hypot(*ray) - far) / np.hypot(0.003 + 2e-6 * far, 0.002))
        return np.array(parts)

    start = [*np.ravel(first), *zero, *(turn[basis] for basis in bases)]
    answer = least_squares(misfit, start, x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    cofactor = np.linalg.inv(answer.jac.T @ answer.jac)
    number = {name: slice(2 * i, 2 * i + 2) for i, name in enumerate(marks)}
    own = slice(len(answer.x) - len(bases), None)
    return (
        {name: answer.x[span] for name, span in number.items()},
        {name: cofactor[span, span] for name, span in number.items()},
        answer.x[own],
        cofactor[own, own],
    )


def solved(job: Path) -> Solved:
    """Solve a job at its stated sds, nothing searched for."""
    read = load_job(job)
    return solve(make_case(read, *read_site(read)))


KINDS = {
    "one file": [(a, b, "ah", 0) for a, b in AROUND],
    "azimuths alone": [(a, b, "a", 0) for a, b in (*AROUND, *ACROSS)],
    "two files": [
        *[(a, b, "ah", 0) for a, b in AROUND],
        *[(a, b, "ah", 1) for a, b in ACROSS],
    ],
    "a file on the marks of the other": [
        *[(a, b, "ah", 0) for a, b in (("A", "B"), ("B", "C"), ("C", "A"), ("A", "E"))],
        *[(a, b, "ah", 1) for a, b in (("B", "D"), ("D", "E"), ("E", "B"), ("D", "A"))],
    ],
    "files that only together join known marks": [
        *[(a, b, "ah", 0) for a, b in (("A", "B"), ("B", "E"), ("E", "A"))],
        *[(a, b, "ah", 1) for a, b in (("B", "C"), ("C", "E"), ("E", "D"), ("D", "C"))],
    ],
    "at setups with circle readings": [
        *[(a, b, "dh", 0) for a, b in (*AROUND, ("A", "D"), ("B", "A"), ("C", "B"), ("D", "C"))],
        *[(a, b, "a", 0) for a, b in ACROSS],
    ],
    "beside circle readings": [
        *[(a, b, "dh", 0) for a, b in (*AROUND, ("A", "D"), ("B", "A"), ("C", "B"), ("D", "C"))],
        *[(a, b, "ah", 1) for a, b in ACROSS],
    ],
}
TURNS = {"none": [0.0, 0.0], "small": [200 * SECOND, -90 * SECOND], "a quarter": [1.6, -0.9]}


@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("kind", KINDS)
def test_turns_and_places_are_what_least_squares_says(tmp_path: Path, kind: str, turn: str) -> None:
    """Places to 0.02 mm, turns to 0.02 seconds, their sds to 0.1 %."""
    held = ("A", "C")
    rows = observed(np.random.default_rng(21), KINDS[kind], TURNS[turn])
    found = solved(files(tmp_path / "job", rows, held, "azimuths: file\n"))
    place, spread, turns, cofactor = referee(rows, held, TURNS[turn])
    adjustment = found.adjustment
    away = (adjustment.turn - turns + np.pi) % (2 * np.pi) - np.pi
    assert away == pytest.approx(0.0, abs=0.02 * SECOND)
    assert adjustment.with_turns.turn == pytest.approx(cofactor, rel=2e-3)
    for name, where in place.items():
        number = found.case.points.index(name)
        stands = adjustment.position[number] + found.network.origin
        assert stands[:2] == pytest.approx(where, abs=2e-5), name
        own = adjustment.point_covariance[number, :2, :2]
        assert own == pytest.approx(spread[name], rel=2e-3, abs=1e-10), name
    readings = len(rows) + sum(np.isfinite(row[4]) for row in rows)
    unknowns = 2 * len(place) + len({row[0:1] + row[5:] for row in rows if row[2] == row[2]})
    assert adjustment.dof == readings - unknowns - len(turns)


def test_a_free_site_turns_with_its_basis(tmp_path: Path) -> None:
    """Without control the turn is open: distances keep the sds that a stated turn gives them."""
    rows = observed(np.random.default_rng(22), KINDS["one file"], [0.4])
    job = files(tmp_path / "job", rows, (), "azimuths: job\ndatum: free\n")
    found = solved(job)
    assert found.adjustment.defect == 3  # two shifts and the turn
    here = [row if np.isnan(row[3]) else (*row[:3], row[3] + 0.4, *row[4:]) for row in rows]
    held = files(tmp_path / "held", here, ("A",), "azimuths: grid\n")
    other = solved(held)
    assert found.adjustment.weighted_sum == pytest.approx(other.adjustment.weighted_sum, rel=1e-5)
    for one, two in (("B", "D"), ("C", "E"), ("B", "E")):
        assert apart(found, one, two) == pytest.approx(apart(other, one, two), rel=1e-5)


def apart(site: Solved, one: str, two: str) -> tuple[float, float]:
    """Return the distance between two marks and its sd."""
    numbers = np.array([site.case.points.index(one), site.case.points.index(two)])
    ray = np.diff(site.adjustment.position[numbers, :2], axis=0)[0]
    joint = point_covariance(site.adjustment, numbers)[:, :2, :, :2].reshape(4, 4)
    row = np.concatenate([-ray, ray]) / np.hypot(*ray)
    return float(np.hypot(*ray)), float(np.sqrt(row @ joint @ row))


def test_the_minimal_fit_frees_the_turn_as_well(tmp_path: Path) -> None:
    """Free of control the readings alone are tested: three motions of one body are open."""
    rows = observed(np.random.default_rng(23), KINDS["two files"], [0.3, 0.2])
    held = solved(files(tmp_path / "job", rows, ("A", "C"), "azimuths: file\n"))
    free = minimal_fit(held)
    assert free is not None and free.defect == 3
    assert held.adjustment.dof - free.dof == 1  # two marks of two coordinates less three motions
    assert free.weighted_sum <= held.adjustment.weighted_sum
    # Differences of turns are the same in every frame.
    gap = np.array([1.0, -1.0])
    for fit in (held.adjustment, free):
        assert gap @ fit.turn == pytest.approx(0.1, abs=20 * SECOND)
    sds = [float(np.sqrt(gap @ fit.with_turns.turn @ gap)) for fit in (held.adjustment, free)]
    assert sds[1] == pytest.approx(sds[0], rel=0.2) and sds[1] >= sds[0] * (1 - 1e-9)


def test_every_covariance_has_the_turns_in_it(tmp_path: Path) -> None:
    """Leverages and effects of readings against the dense inverse of the rows themselves."""
    rows = observed(np.random.default_rng(24), KINDS["beside circle readings"], [0.3, 0.2])
    found = solved(files(tmp_path / "job", rows, ("A", "C"), "azimuths: file\n")).adjustment
    spoken = everything(found)
    design = design_matrix(found, spoken)
    inverse = np.linalg.pinv(design.T @ design, hermitian=True)
    hat = design @ inverse @ design.T
    own = found.leverage.reshape(-1, 9)
    blocks = [hat[3 * i : 3 * i + 3, 3 * i : 3 * i + 3].ravel() for i in range(len(own))]
    assert own == pytest.approx(np.array(blocks), abs=1e-8)
    whole = covariance(found, point_functions(found, np.arange(len(found.position))))
    points = np.array([whole[3 * i : 3 * i + 2, 3 * i : 3 * i + 2] for i in range(5)])
    assert points == pytest.approx(found.point_covariance[:, :2, :2], abs=1e-12)
    assert check_pairs(found) > 0


def test_one_known_mark_shows_no_turn(tmp_path: Path) -> None:
    """The refusal says what is missing."""
    rows = observed(np.random.default_rng(25), KINDS["one file"], [0.4])
    job = files(tmp_path / "job", rows, ("A",), "azimuths: file\n")
    with pytest.raises(TieupError, match="two known marks"):
        tieup.reconcile(job)


def test_a_local_frame_takes_azimuths_with_an_unknown_turn(tmp_path: Path) -> None:
    """The site turns to local.azimuth, and the azimuths of the job with it."""
    rows = observed(np.random.default_rng(26), KINDS["one file"], [0.4])
    local = "local: {point: A, northing: 100, easting: 200, toward: C, azimuth: 10}\n"
    job = files(tmp_path / "job", rows, (), f"azimuths: job\ndatum: local\n{local}")
    found = solved(job)
    ray = np.diff(
        found.adjustment.position[[found.case.points.index(n) for n in "AC"], :2], axis=0
    )[0]
    assert np.arctan2(ray[1], ray[0]) == pytest.approx(np.radians(10), abs=1e-9)
    expected = 0.4 + np.radians(10) - sight("A", "C")[0]
    assert found.adjustment.turn[0] == pytest.approx(expected, abs=20 * SECOND)


def test_the_turn_is_told(tmp_path: Path) -> None:
    """In run.json with its sd, on the screen in a line, in the closures of traverses."""
    rows = observed(np.random.default_rng(27), KINDS["two files"], [0.4, -0.001])
    site = tieup.reconcile(files(tmp_path / "job", rows, ("A", "C"), "azimuths: file\n"))
    first, second = site.reconciliation.run["azimuth_turns"]
    assert (first["files"], first["azimuths"]) == (["raw/part0.csv"], 7)
    for told, turn in ((first, 0.4), (second, -0.001)):
        assert 2 / 3600 < told["sd"] < 6 / 3600
        assert told["turn"] == pytest.approx(np.degrees(turn), abs=4 * told["sd"])
    text = summary_text(site.reconciliation, tmp_path)
    assert f"raw/part1.csv: 4 azimuths turned by {second['turn']:.5f}" in " ".join(text.split())
    assert (site.traverses["misclosure"] < 0.05).all()
    dof = site.reconciliation.run["dof"]
    assert float(site.observations["redundancy"].sum()) == pytest.approx(dof, abs=1e-6)


def test_a_turn_that_nothing_shows_uses_no_azimuth(tmp_path: Path) -> None:
    """A spur on one mark of the site: its azimuths take no part, and the screen says so."""
    lines = [*KINDS["one file"][:4], ("B", "E", "ah", 1)]
    rows = observed(np.random.default_rng(28), lines, [0.4, 0.2])
    site = tieup.reconcile(files(tmp_path / "job", rows, ("A", "C"), "azimuths: file\n"))
    assert site.reconciliation.run["azimuth_turns"][1]["turn"] is None
    seen = site.observations
    spur = seen[(seen["file"] == "raw/part1.csv") & (seen["kind"] == "azimuth")]
    assert set(spur["status"]) == {"unused"}
    assert "nothing shows their turn" in " ".join(
        summary_text(site.reconciliation, tmp_path).split()
    )
    assert np.isnan(site.coordinates.set_index("point").loc["E", "northing"])


FOUND = {"200 seconds": 200 * SECOND, "one degree": np.radians(1.0), "a quarter": np.pi / 2}


@pytest.mark.parametrize("size", FOUND)
@pytest.mark.parametrize("held", [("A", "C"), ("A", "B", "D")])
def test_azimuths_taken_as_true_that_are_turned_are_told(
    tmp_path: Path, size: str, held: tuple[str, ...]
) -> None:
    """The finding names the file, the turn and the key; nothing is left out for it."""
    turn = FOUND[size]
    rows = observed(np.random.default_rng(29), KINDS["two files"], [0.0, turn])
    site = tieup.reconcile(files(tmp_path / "job", rows, held, ""))
    (found,) = [f for f in site.findings if f["severity"] == "stop"]
    assert (found["kind"], found["action"]) == ("basis-of-bearings", "turned")
    seconds = round(turn / SECOND)
    assert abs(found["size"] + seconds) < 12 and "raw/part1.csv" in found["says"]
    assert "azimuths: file" in found["cure"] and "too small" in found["says"]
    assert set(site.observations["status"]) == {"used"}
    stated = tieup.reconcile(files(tmp_path / "stated", rows, held, "azimuths: file\n"))
    assert not [f for f in stated.findings if f["severity"] == "stop"]
    columns = ["northing", "easting"]
    gap = site.coordinates[columns] - stated.coordinates[columns]
    assert float(np.abs(gap.to_numpy()).max()) < 2e-3


def test_between_two_known_marks_one_of_them_may_be_wrong(tmp_path: Path) -> None:
    """All azimuths turned and no third mark: the listed coordinates of either are a rival."""
    rows = observed(np.random.default_rng(32), KINDS["one file"], [np.radians(1.0), 0.0])
    for held in (("A", "C"), ("A", "B", "D")):
        site = tieup.reconcile(files(tmp_path / f"job{len(held)}", rows, held, ""))
        (found,) = [f for f in site.findings if f["severity"] == "stop"]
        marks = {tuple(r["points"]) for r in found["rivals"] if not r["separable"]}
        assert marks == ({("A",), ("C",)} if len(held) == 2 else set())
        assert ("cannot tell" in found["says"]) == (len(held) == 2)


def test_a_turn_of_the_whole_job_is_told_once(tmp_path: Path) -> None:
    """Two files turned alike are the job; small turns come out of the search."""
    for size in (90 * SECOND, np.radians(2.0)):
        rows = observed(np.random.default_rng(30), KINDS["two files"], [-size, -size])
        site = tieup.reconcile(files(tmp_path / f"job{size}", rows, ("A", "B", "D"), ""))
        (found,) = [f for f in site.findings if f["severity"] in ("stop", "check")]
        assert found["kind"] == "basis-of-bearings"
        assert "All azimuths of the job" in found["says"] and "azimuths: job" in found["cure"]


@pytest.mark.parametrize("size", [90 * SECOND, np.radians(1.0), -np.pi / 2])
@pytest.mark.parametrize("turned", [0, 1])
def test_a_file_on_another_basis_than_the_job_states_is_named(
    tmp_path: Path, size: float, turned: int
) -> None:
    """azimuths: job, and one of two files is turned: that, against the other, and nothing else."""
    common = np.radians(20.0)
    turn = [common, common]
    turn[turned] -= size
    rows = observed(np.random.default_rng(33), KINDS["two files"], turn)
    site = tieup.reconcile(files(tmp_path / "job", rows, ("A", "B", "D"), "azimuths: job\n"))
    (found,) = [f for f in site.findings if f["severity"] in ("stop", "check")]
    assert found["kind"] == "basis-of-bearings"
    assert "against those of raw/part" in found["says"] and "grid" not in found["says"]
    assert abs(abs(found["size"]) - abs(size) / SECOND) < 15
    assert "azimuths: file" in found["cure"]
    stated = tieup.reconcile(files(tmp_path / "own", rows, ("A", "B", "D"), "azimuths: file\n"))
    assert not [f for f in stated.findings if f["severity"] in ("stop", "check")]
    columns = ["northing", "easting"]
    gap = site.coordinates[columns] - stated.coordinates[columns]
    assert float(np.abs(gap.to_numpy()).max()) < 2e-3


def test_of_two_known_marks_one_that_is_wrong_is_told(tmp_path: Path) -> None:
    """10 plans with azimuths, 0.1 to 1 m in one of two marks: that one or its rival, no other.

    Such a list spoils sights all over a site, and without both marks nothing holds it.
    """
    told = alone = 0
    for number in range(10):
        random = np.random.default_rng([13, number])
        plan = random_plan(random)
        known = tuple(random.choice(list(plan.place), 2, replace=False).tolist())
        plan = replace(plan, known=known)
        job = write_plan(plan, tmp_path / str(number), 0.0, random)
        off = random.uniform(0.1, 1.0) * np.exp(1j * random.uniform(0.0, 2.0 * np.pi))
        wrong = plan.place[known[0]] + off
        wrong_row = f"{known[0]},{wrong.real:.5f},{wrong.imag:.5f},,0,0,"
        lines = (job / "control.csv").read_text("utf-8").splitlines()
        lines = [wrong_row if row.startswith(f"{known[0]},") else row for row in lines]
        (job / "control.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        found = diagnosed(job).mistakes
        named = [(one.kind, one.points) for m in found for one in (m, *m.rivals)]
        told += ("control-coordinate", (known[0],)) in named
        alone += {m.kind for m in found} <= {"control-coordinate", "basis-of-bearings"}
    assert told >= 9  # of 20 all were, both
    assert alone >= 9


def test_an_accepted_turn_stays(tmp_path: Path) -> None:
    """Accepted, the finding becomes a note and the turn is estimated as before."""
    rows = observed(np.random.default_rng(31), KINDS["one file"], [np.radians(2.0), 0.0])
    job = files(tmp_path / "job", rows, ("A", "B", "D"), "")
    (found,) = [f for f in tieup.reconcile(job).findings if f["severity"] == "stop"]
    with (job / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write(f"decisions: [{{accept: {found['id']}, reason: magnetic}}]\n")
    site = tieup.reconcile(job)
    assert not [f for f in site.findings if f["severity"] == "stop"]
    (turn,) = site.reconciliation.run["azimuth_turns"]
    assert turn["turn"] == pytest.approx(2.0, abs=10 / 3600)


def test_a_wrong_azimuth_or_horizontal_distance_is_called_so(tmp_path: Path) -> None:
    """No direction, no pole: the kind, the words, the cure and the to-do name what the row is."""
    lines = [(a, b, "ah", 0) for a, b in (*AROUND, *ACROSS)]
    clean = observed(np.random.default_rng(33), lines, [0.0, 0.0])
    for column, off, kind, noun, cause in (
        (3, np.radians(0.3), "azimuth", "azimuth", "taken down wrong"),
        (3, np.pi, "azimuth", "azimuth", "other end"),
        (4, 0.35, "horizontal-distance", "horizontal distance", "slope distance"),
        (4, 0.03, "horizontal-distance", "horizontal distance", "slope distance"),
    ):
        rows = [*clean]
        bad = list(rows[1])
        bad[column] += off
        rows[1] = tuple(bad)
        site = tieup.reconcile(files(tmp_path / f"{kind}{off:.2f}", rows, ("A", "C", "D"), ""))
        (found,) = [f for f in site.findings if f["severity"] == "stop"]
        assert found["kind"] == kind and found["points"] == ["C"]
        assert f"The {noun} from setup B to C" in found["says"] and cause in found["says"]
        told = " ".join(f"{f['says']} {f['confirm']} {f['cure']}" for f in site.findings)
        assert "pole" not in told and "plumb" not in told and "direction" not in told.lower()
        out = site.observations[site.observations["status"] == "excluded"]
        assert set(out["kind"]) == {noun.replace(" ", "_")}
        assert "pole" not in " ".join(site.reconciliation.todo or ())


def test_what_has_no_height_ties_in_plan(tmp_path: Path) -> None:
    """The screens and the page say so of the site and of every setup; tables keep their words."""
    lines = [(a, b, "ah", 0) for a, b in (*AROUND, *ACROSS)]
    rows = observed(np.random.default_rng(34), lines, [0.0, 0.0])
    site = tieup.reconcile(files(tmp_path / "job", rows, ("A", "C", "D"), ""))
    text = summary_text(site.reconciliation, tmp_path)
    assert "THE SITE TIES IN PLAN." in text and text.count("ties in plan") == 5
    answer = site.reconciliation.answer
    assert answer is not None
    crew = ties_text(answer)
    assert "THE BAYS TIE IN PLAN." in crew and crew.count("ties in plan") == 5
    assert all("in height" not in setup.words for setup in answer.setups)
    assert set(site.setups["verdict"]) == {"ties"}


def test_readings_that_only_control_tests_are_said_to_be(tmp_path: Path) -> None:
    """One setup in plan on four known marks: the marks test its readings, nothing else does."""
    text = "setup,station,point,direction,horizontal_distance\n"
    for end in "ABCD":
        azimuth, far = sight("E", end)
        text += f"S1,,{end},{np.degrees(azimuth) + 10:.6f},{far:.4f}\n"
    control = "".join(f"{n},{PLACES[n][0]},{PLACES[n][1]},,0,0,\n" for n in "ABCD")
    site = tieup.reconcile(plan_job(tmp_path / "job", text, control, angle="deg", more=GEAR))
    told = " ".join(summary_text(site.reconciliation, tmp_path).split())
    assert "only the known marks test them" in told and "nothing to test" not in told


def test_a_plan_without_heights_speaks_of_none(tmp_path: Path) -> None:
    """Booked instrument heights that no zenith angle carries on are in no mistake of a plan."""
    text = "setup,station,instrument_height,point,target_height,direction,horizontal_distance\n"
    for station in "EB":
        for end in "ACD":
            azimuth, far = sight(station, end)
            text += f"{station}1,{station},1.5,{end},1.6,{np.degrees(azimuth):.6f},{far:.4f}\n"
    control = "".join(f"{n},{PLACES[n][0]},{PLACES[n][1]},,0,0,\n" for n in "AC")
    job = plan_job(tmp_path / "job", text, control, angle="deg", more=GEAR)
    found = solved(job)
    kinds = {h.kind for h in hypotheses_of(found, evidence_of(found))}
    assert "station-name" in kinds and "instrument-height" not in kinds
    told = plan_text(tieup.plan(job).forecast.answer)
    assert "instrument height" not in told and "in height" not in told.split("Limits")[0]


def test_a_shot_that_is_left_out_is_not_within_the_scatter(tmp_path: Path) -> None:
    """A setup that ties but for a shot that is out: the difference shown is that shot's."""
    lines = [(a, b, "dh", 0) for a in PLACES for b in PLACES if a != b]
    rows = observed(np.random.default_rng(35), lines, [0.0, 0.0])
    site = tieup.reconcile(files(tmp_path / "job", rows, ("A", "C", "D"), ""))
    answer = site.reconciliation.answer
    assert answer is not None
    limits = answer.limits
    off = replace(answer.setups[0], plan=2.0 * limits.horizontal)
    for unused, said in ((False, True), (True, False)):
        setups = (replace(off, unused=unused), *answer.setups[1:])
        told = " ".join(ties_text(replace(answer, setups=setups)).split())
        assert ("within the scatter" in told) == said


def test_a_tie_of_a_left_out_shot_is_known_as_such() -> None:
    """Of the ties beyond the limits all are of shots that are left out, or some are not."""
    limits = Tolerances("own", 0.01, 0.01)
    for withheld, plan, only in (
        ((True, False), (0.05, 0.002), True),
        ((True, False), (0.05, 0.02), False),
        ((False, True), (0.05, 0.002), False),
        ((True, True), (0.002, 0.002), False),
    ):
        ties = SimpleNamespace(
            plan=np.array(plan), difference=np.full((2, 3), np.nan), withheld=np.array(withheld)
        )
        checks = SimpleNamespace(evidence=SimpleNamespace(ties=ties), limits=limits)
        assert only_unused(checks, np.arange(2)) == only


def as_azimuths(tmp_path: Path, sample: str, *, turned_over: bool = True) -> Path:
    """Return a sample whose circle readings stand as azimuths on a basis of their own a file.

    Not ``turned_over``: zenith angles of face 2 are booked as face 1 would read them, azimuths
    as they were read.
    """
    job = copy_sample(sample, tmp_path / "azimuths")
    for path in sorted((job / "raw").glob("*.csv")):
        header, *rows = [line.split(",") for line in path.read_text("utf-8").splitlines()]
        for row in rows if not turned_over else ():
            column = header.index("zenith")
            degrees, minutes, seconds = (float(part) for part in row[column].split("-"))
            angle = degrees + minutes / 60.0 + seconds / 3600.0
            minutes, degrees = np.modf(min(angle, 360.0 - angle))
            seconds, minutes = np.modf(minutes * 60.0)
            row[column] = f"{degrees:.0f}-{minutes:02.0f}-{seconds * 60.0:04.1f}"
        header[header.index("direction")] = "azimuth"
        text = "".join(",".join(row) + "\n" for row in [header, *rows])
        path.write_text(text, encoding="utf-8")
    with (job / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write("azimuths: file\n")
    return job


def test_azimuths_of_one_setup_and_unknown_turn_are_its_circle_readings(tmp_path: Path) -> None:
    """In both faces: the job that calls them directions. No collimation is taken off azimuths."""
    plain = tieup.reconcile(copy_sample("two_setups", tmp_path / "plain"))
    other = tieup.reconcile(as_azimuths(tmp_path, "two_setups"))
    ours, theirs = other.coordinates.set_index("point"), plain.coordinates.set_index("point")
    assert (ours["proof"] == theirs["proof"]).all() and len(ours) == len(theirs)
    for column in ("northing", "easting", "elevation"):
        assert np.abs(ours[column] - theirs[column]).max() < 1e-5  # ft
    for column in ("sd_northing", "sd_easting", "sd_elevation"):
        np.testing.assert_allclose(ours[column], theirs[column], rtol=0.02, atol=1e-9)
    assert other.status == plain.status == 0


@pytest.mark.slow
def test_what_nothing_explains_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All azimuths of face 2 half a circle off: no more trials than there is a budget for."""
    solved, count = gross.solve, Counter[str]()

    def counted(case: Case) -> Solved:
        count["solutions"] += 1
        return solved(case)

    monkeypatch.setattr(gross, "solve", counted)
    monkeypatch.setattr(gross, "MOST_TRIALS", 25)
    with suppress(TieupError):
        tieup.reconcile(as_azimuths(tmp_path, "two_setups", turned_over=False))
    assert 10 < count["solutions"] <= gross.MOST_TRIALS + 20


def test_an_azimuth_is_excluded_by_its_own_kind(tmp_path: Path) -> None:
    """``kind: azimuth`` and ``horizontal_distance``, as observations.csv calls them."""
    rows = observed(np.random.default_rng(24), KINDS["beside circle readings"], [0.3, 0.2])
    for kind in ("azimuth", "horizontal_distance"):
        excluded = f"decisions: [{{exclude: {{point: C, kind: {kind}}}, by: me, reason: test}}]\n"
        job = files(tmp_path / kind, rows, ("A", "C"), f"azimuths: file\n{excluded}")
        table = tieup.reconcile(job).observations
        own = (table["kind"] == kind) & (table["point"] == "C")
        assert own.any()
        assert set(table["status"][own]) == {"excluded"}
        assert "excluded" not in set(table["status"][~own])
