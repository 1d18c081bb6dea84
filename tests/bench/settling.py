"""How many jobs with mistakes are refused because their adjustment does not settle?

    python -m tests.bench.settling [--jobs 500] [--first 0] [--seed 1] [--names]

Invents jobs, spoils each with one to three mistakes of any kind and diagnoses it. Jobs are
numbered, so that any part of a long run can be made, or made again, by itself. With --names
every mistake is one in names, which is where adjustments swing most.

    solved      a diagnosis came out, and the fit without control that goes with it
    unsettled   refused because an adjustment did not settle: none should be
    refused     refused for another reason, such as a setup that nothing ties
    inside      adjustments that did not settle in a trial, which costs a trial and no job
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from unittest import mock

import numpy as np

from tests.diagnose.cases import case_of
from tests.simulate import Aim, Mark, SetupPlan, Site, Survey, polar, random_site, simulate
from tests.simulate.mistakes.chance import PLANTERS, plant
from tests.simulate.survey import with_shots
from tieup.adjust.iterate import UnsettledError
from tieup.diagnose.basis import solve
from tieup.diagnose.search.diagnose import diagnose
from tieup.errors import AdjustmentError, TieupError
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.settings import Precision

Rng = np.random.Generator

NAMES = ("point-name", "swapped-names", "backsight", "similar-names", "unrecognised-tie")
SET_DOWN = (0.001, 0.003)  # m; how far from where it stood a pole comes to stand again
SMALL = (0.1, 0.5)  # size of a small site, in parts of an ordinary one
TRIES = 50  # draws of one job until its site can be drawn and its mistakes be planted
OPEN_MARKS = 9
OPEN_HELD = 4  # of these on the control list


@dataclass
class Tally:
    """Counts of jobs, adjustments that did not settle inside, and what was refused."""

    jobs: int = 0
    solved: int = 0
    unsettled: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    inside: list[str] = field(default_factory=list)
    slowest: float = 0.0


def job(seed: int, number: int, names_only: bool) -> Survey:
    """Return the spoilt survey of a number; the same for the same number."""
    rng = np.random.default_rng([seed, number])
    for _ in range(TRIES):
        try:
            survey = simulate(_site(rng), Precision(), rng)
            if rng.uniform() < 0.7:
                survey = set_down_again(survey, rng)
            kinds = NAMES if names_only or rng.uniform() < 0.3 else tuple(PLANTERS)
            for kind in rng.choice(kinds, int(rng.choice([1, 1, 2, 3]))):
                survey = plant(survey, str(kind), rng)
        except (ValueError, IndexError):  # no such site, or no victim for the mistake on it
            continue
        return survey
    raise RuntimeError(f"no job {number}")


def _site(rng: Rng) -> Site:
    """Draw a site: most of them of four setups, a third small, half without a building."""
    if rng.uniform() < 0.5:
        site = open_site(rng)
    else:
        site = random_site(
            rng,
            setups=4 if rng.uniform() < 0.4 else int(rng.integers(2, 7)),
            kind=str(rng.choice(["free", "mixed", "occupied"])),  # type: ignore[arg-type]
            ties=int(rng.integers(3, 7)),
            spread=str(rng.choice(["strong", "strong", "weak"])),  # type: ignore[arg-type]
            control=str(rng.choice(["held", "weighted", "none"])),  # type: ignore[arg-type]
            side_shots=int(rng.integers(2, 7)),
        )
    return shrunk(site, rng.uniform(*SMALL)) if rng.uniform() < 0.3 else site


def open_site(rng: Rng) -> Site:
    """Draw four free setups among nine marks, each sighting some in one face and two of them again.

    Few marks are known, so that a wrong name finds little that contradicts it.
    """
    places = rng.uniform([0.0, 0.0, -1.0], [90.0, 70.0, 1.0], (OPEN_MARKS, 3))
    held = rng.choice(OPEN_MARKS, OPEN_HELD, replace=False)
    corner = np.array([5000.0, 2000.0, 100.0])
    marks = [
        Mark(f"CP{i + 1}", *place, control_sd=(0.0, 0.0, 0.0) if i in held else None)
        for i, place in enumerate((corner + places).round(4).tolist())
    ]
    setups = []
    for number in range(4):
        axis = corner + rng.uniform([0.0, 0.0, 1.0], [90.0, 70.0, 2.0])
        sighted = rng.permutation(OPEN_MARKS)[: int(rng.integers(4, 7))]
        rows = [Aim(marks[i].name, role="foresight") for i in sighted]
        rows[0] = replace(rows[0], role="backsight")
        rows += [Aim(f"{number + 1}0{i}") for i in range(3)]
        rows += [Aim(marks[i].name, role="check") for i in sighted[:2]]
        side = axis + rng.uniform(-20.0, 20.0, (3, 3)) * [1.0, 1.0, 0.02]
        marks += [Mark(f"{number + 1}0{i}", *side[i].tolist()) for i in range(3)]
        zero = float(rng.uniform(0.0, 2.0 * np.pi))
        north, east, height = axis.tolist()
        setups.append(
            SetupPlan(f"S{number + 1}", tuple(rows), axis=(north, east, height), orientation=zero)
        )
    return Site(tuple(marks), tuple(setups))


def shrunk(site: Site, part: float) -> Site:
    """Return the site ``part`` as large in plan about its first mark; heights stay."""
    north, east = site.marks[0].northing, site.marks[0].easting

    def near(place: tuple[float, float]) -> tuple[float, float]:
        return north + part * (place[0] - north), east + part * (place[1] - east)

    marks = []
    for mark in site.marks:
        there = near((mark.northing, mark.easting))
        marks.append(replace(mark, northing=there[0], easting=there[1]))
    setups = tuple(
        replace(setup, axis=(*near((setup.axis[0], setup.axis[1])), setup.axis[2]))
        for setup in site.setups
    )
    return Site(tuple(marks), setups, site.refraction, site.faults)


def set_down_again(survey: Survey, rng: Rng) -> Survey:
    """Give the last look of each setup at its marks' poles a place of their own, 1 to 3 mm off."""
    shots = survey.shots
    readings = np.column_stack([shots.direction, shots.zenith, shots.distance])
    for rows in _closing_looks(survey):
        bearing, away = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(*SET_DOWN)
        moved = survey.sightline[rows] + [away * np.cos(bearing), away * np.sin(bearing), 0.0]
        change = _turned(polar(moved, 0.0) - polar(survey.sightline[rows], 0.0))
        change[:, 1] *= np.where(shots.face[rows] == 2, -1.0, 1.0)
        readings[rows] += change
    readings[:, :2] %= 2.0 * np.pi
    direction, zenith, distance = readings.T
    return with_shots(survey, direction=direction, zenith=zenith, distance=distance)


def _closing_looks(survey: Survey) -> Iterator[IntArray]:
    """Give the rows of each closing look: those of the role check, mark by mark."""
    for setup in survey.setups:
        rows = survey.rows(setup.label, role="check")
        for point in np.unique(survey.shots.point[rows]):
            yield rows[survey.shots.point[rows] == point]


def _turned(change: FloatArray) -> FloatArray:
    """Return changes (m, 3) with that of the direction brought into [-pi, pi)."""
    change[:, 0] = (change[:, 0] + np.pi) % (2.0 * np.pi) - np.pi
    return change


def run(seed: int, numbers: range, names_only: bool) -> Tally:
    """Diagnose the jobs of these numbers."""
    tally, adjust = Tally(), solve.adjust

    def counted(*given: object) -> object:
        try:
            return adjust(*given)  # type: ignore[arg-type]
        except AdjustmentError as error:
            if is_unsettled(error):
                tally.inside.append(f"inside {number}: {error}")
            raise

    with mock.patch.object(solve, "adjust", counted):
        for number in numbers:
            survey = job(seed, number, names_only)
            began = time.perf_counter()
            _diagnosed(survey, number, tally)
            tally.slowest = max(tally.slowest, time.perf_counter() - began)
    return tally


def _diagnosed(survey: Survey, number: int, tally: Tally) -> None:
    """Diagnose one job and count what came of it."""
    tally.jobs += 1
    planted = " + ".join(one.kind for one in survey.planted)
    try:
        solved = diagnose(case_of(survey)).solved
        if solved.case.datum.kind == "control":
            solve.minimal_fit(solved)  # what every job held to control gets as well
    except TieupError as error:
        refused = tally.unsettled if is_unsettled(error) else tally.refused
        refused.append(f"{number} ({planted}): {error}")
    else:
        tally.solved += 1


def is_unsettled(error: TieupError) -> bool:
    """Say whether an error means that an adjustment did not settle."""
    return isinstance(error.__cause__, UnsettledError) or "did not settle" in str(error)


def main() -> None:
    """Print the counts and every job that was refused for not settling."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0, help="number of the first job")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--names", action="store_true", help="mistakes in names alone")
    parser.add_argument("--refused", action="store_true", help="list every refusal")
    given = parser.parse_args()
    began = time.perf_counter()
    tally = run(given.seed, range(given.first, given.first + given.jobs), given.names)
    took = time.perf_counter() - began
    for line in (*tally.unsettled, *((*tally.refused, *tally.inside) if given.refused else ())):
        print(f"    {line}")
    print(
        f"jobs {tally.jobs}  solved {tally.solved}  unsettled {len(tally.unsettled)}  "
        f"refused {len(tally.refused)}  inside {len(tally.inside)}  "
        f"{took / max(tally.jobs, 1):.2f} s a job, slowest {tally.slowest:.1f} s"
    )


if __name__ == "__main__":
    main()
