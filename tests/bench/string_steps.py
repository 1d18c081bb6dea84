"""What is said of a string where it passes from one setup to the next without a shared shot.

    python -m tests.bench.string_steps --jobs 90
    python -m tests.bench.string_steps crest pole --jobs 300 --seed 2

from the root of the source tree. A curb of ten points 4 m apart, five by each of two setups, and
beside it its flow line, whose points are named by the same bare number or by a name of their own.
The world is this module's own: truth, errors and readings are worked out here. In every job the
place of what varies, the side of the curb and every error are drawn anew. The worlds:

    straight  1 % of fall
    arc       a bend of radius 15 m
    break     1 to 3 % of fall, anywhere from the leg before the change-over to the leg after it
    corner    90 degrees, anywhere in the gap
    crest     1 % up to 2 % down, anywhere in the gap
    bend      a vertical curve from 3 % up to 3 % down over 20 m, anywhere along the gap
    rough     natural ground: every point 15 mm (1 sd) off the straight line
    step10    the second setup's part lies 10 mm higher, truly
    dropped   the curb (not the flow line) is 100 mm lower from the change-over on, for one, two or
              all points of the second setup
    pole      one setup booked all shots of both lines 300 mm too high or too low
    pole-one  the same where the flow line was not shot

For each: jobs in which a joint "fails", in which the string's own row says "ties", with a
`string-step` finding, with the size within 10 mm, with the pole as first rival, in the right
setup, and the verdicts of the site.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.bench.days import SECOND, polar
from tieup.config import load_job
from tieup.model.reconciliation import Reconciliation
from tieup.pipeline import run

FloatArray = np.ndarray
Rng = np.random.Generator

SHAPES = ("straight", "arc", "break", "corner", "crest", "bend", "rough")
WORLDS = (*SHAPES, "step10", "dropped", "pole", "pole-one")
REFRACTION = 0.13
POINTING, DISTANCE = 2.0 * SECOND, (1.5e-3, 2e-6)
CENTRING, HEIGHT = 1.0e-3, 1.0e-3  # m, of the target
SPACING, POINTS = 4.0, 10
GAP = (16.0, 20.0)  # chainage of the last shot of the first setup and the first of the second
KERB = 0.15  # m, of the curb above its flow line
ASIDE = 0.45  # m, from the curb to its flow line
POLE, RAISED = 1.5, 0.3
MARKS = {
    "CP1": (-30.0, -15.0, 0.3),
    "CP2": (-25.0, 32.0, 0.9),
    "CP3": (55.0, 35.0, -0.4),
    "T1": (20.0, -28.0, 0.2),
    "T2": (60.0, -18.0, 0.5),
    "T3": (16.0, 44.0, 0.1),
}
AXES = {"S1": (0.0, 0.0, 1.6), "S2": (34.0, 3.0, 1.5)}
JOB = """\
title: A curb
units: {angle: deg, length: m}
raw: [raw/*.csv]
instruments: {default: {direction: 2, zenith: 2, distance: [1.5, 2]}}
centring: {target: 1}
heights: {target: 1}
tolerances: paving
decisions:
"""
HEAD = "setup,point,direction,zenith,distance,target_height,face,code,string"


@dataclass(frozen=True)
class Curb:
    """A curb and its flow line: ``place`` by line (10, 3), ``booked`` too high by setup (m)."""

    place: dict[str, FloatArray]
    numbered: bool
    booked: dict[str, float] = field(default_factory=dict)

    def names(self, line: str) -> tuple[str, str]:
        """Return code and string of a line's shots."""
        return (line, "1") if self.numbered else (line, f"{line}-S")


def draw_curb(world: str, rng: Rng) -> Curb:
    """Draw the truth of one job."""
    along = SPACING * np.arange(POINTS)
    second = along >= GAP[1]
    plan, aside = _course(world, along, rng)
    up = 0.5 + np.interp(along, *_profile(world, rng))
    if world == "rough":
        up = up + 0.015 * rng.standard_normal(POINTS)
    curb = up + KERB
    if world == "step10":
        up, curb = up + 0.010 * second, curb + 0.010 * second
    if world == "dropped":
        low = np.flatnonzero(second)[: int(rng.choice([1, 2, 5]))]
        curb[low] -= 0.100
    lines = {"TC": np.column_stack([plan, curb])}
    if world != "pole-one":
        lines["FL"] = np.column_stack([plan + ASIDE * aside, up])
    booked = {}
    if world.startswith("pole"):
        booked = {str(rng.choice(["S1", "S2"])): RAISED * float(rng.choice([-1.0, 1.0]))}
    return Curb(lines, bool(rng.random() < 0.5), booked)


def _course(world: str, along: FloatArray, rng: Rng) -> tuple[FloatArray, FloatArray]:
    """Return the plan (10, 2) of the curb, and which way is aside (10, 2)."""
    turn = np.zeros(2 * 3600 + 1)
    fine = np.linspace(0.0, along[-1], len(turn))
    side = float(rng.choice([-1.0, 1.0]))
    if world == "arc":
        turn = side * fine / 15.0
    if world == "corner":
        turn = side * np.radians(90.0) * (fine > rng.uniform(*GAP))
    bearing = np.radians(90.0) + turn - turn[np.searchsorted(fine, 18.0)]
    step = (fine[1] - fine[0]) * np.column_stack([np.cos(bearing), np.sin(bearing)])
    course = np.vstack([np.zeros(2), np.cumsum(step[:-1], axis=0)])
    number = np.searchsorted(fine, along - 1e-9)
    plan = course[number] - course[np.searchsorted(fine, 18.0)] + [14.0, 17.0]
    across = np.column_stack([-np.sin(bearing), np.cos(bearing)])[number]
    return plan, across


def _profile(world: str, rng: Rng) -> tuple[FloatArray, FloatArray]:
    """Return chainage and height of the bends of the profile."""
    end = SPACING * (POINTS - 1)
    if world == "bend":
        fine = np.linspace(0.0, end, 361)
        start = rng.uniform(GAP[0] - 20.0, GAP[1])
        grade = 0.03 - 0.06 * np.clip((fine - start) / 20.0, 0.0, 1.0)
        return fine, np.cumsum(grade) * (fine[1] - fine[0])
    if world == "break":
        at, first, then = rng.uniform(GAP[0] - SPACING, GAP[1] + SPACING), -0.01, -0.03
    elif world == "crest":
        at, first, then = rng.uniform(*GAP), 0.01, -0.02
    else:
        at, first, then = 18.0, -0.01, -0.01
    return np.array([0.0, at, end]), np.array([0.0, first * at, first * at + then * (end - at)])


def write_job(curb: Curb, folder: Path, rng: Rng) -> None:
    """Draw the readings of a job and write its folder."""
    (folder / "raw").mkdir(parents=True)
    (folder / "job.yaml").write_text(JOB, encoding="utf-8")
    known = [f"{name},{','.join(map(str, MARKS[name]))}" for name in ("CP1", "CP2", "CP3")]
    table = ["point,northing,easting,elevation", *known, ""]
    (folder / "control.csv").write_text("\n".join(table), encoding="utf-8")
    for setup in AXES:
        rows = "\n".join([HEAD, *_rows(curb, setup, rng), ""])
        (folder / "raw" / f"{setup.lower()}.csv").write_text(rows, encoding="utf-8")


def _rows(curb: Curb, setup: str, rng: Rng) -> Iterator[str]:
    """Give the raw rows of a setup: marks in two faces and one again, then the lines."""
    zero = rng.uniform(0.0, 2.0 * np.pi)
    for mark, place in [*MARKS.items(), next(iter(MARKS.items()))]:
        target = np.array(place) + _error(rng)
        for face in (1, 2):
            yield _row(setup, mark, target, (zero, POLE, face, "", ""), rng)
    own = range(5) if setup == "S1" else range(5, POINTS)
    high = curb.booked.get(setup, 0.0)
    for number in own:
        for offset, (line, place) in enumerate(curb.place.items()):
            code, string = curb.names(line)
            look = (zero, POLE + high, 1, code, string)
            name = str(101 + 2 * number + offset)
            yield _row(setup, name, place[number] + _error(rng), look, rng)


def _error(rng: Rng) -> FloatArray:
    return rng.standard_normal(3) * [CENTRING, CENTRING, HEIGHT]


def _row(
    setup: str,
    point: str,
    place: FloatArray,
    look: tuple[float, float, int, str, str],
    rng: Rng,
) -> str:
    """Return a raw row: the prism is always POLE above the point, whatever is booked."""
    zero, booked, face, code, string = look
    prism = place + np.array([0.0, 0.0, POLE])
    azimuth, zenith, distance = polar(np.array([AXES[setup]]), prism[None], REFRACTION)[0]
    azimuth, zenith = np.array([azimuth, zenith]) + POINTING * rng.standard_normal(2)
    distance += (DISTANCE[0] + DISTANCE[1] * distance) * rng.standard_normal()
    direction = (azimuth - zero + np.pi * (face == 2)) % (2.0 * np.pi)
    zenith = 2.0 * np.pi - zenith if face == 2 else zenith
    angles = f"{np.degrees(direction):.8f},{np.degrees(zenith):.8f},{distance:.5f}"
    return f"{setup},{point},{angles},{booked:.3f},{face},{code},{string}"


def reconciled(world: str, seed: int, job: int) -> tuple[Curb, Reconciliation]:
    """Draw and run one job."""
    rng = np.random.default_rng([seed, WORLDS.index(world), job])
    curb = draw_curb(world, rng)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "curb"
        write_job(curb, folder, rng)
        return curb, run(load_job(folder))


def told(curb: Curb, result: Reconciliation) -> set[str]:
    """Return what was said of one job, as words to be counted."""
    answer = result.answer
    assert answer is not None
    says = {f"site {result.verdict.word}"}
    says |= {f"bay {joint.verdict}" for joint in answer.joints}
    says |= {f"string {word}" for word in result.joints["verdict"].tolist()}
    steps = [finding for finding in result.findings if finding.kind == "string-step"]
    if any(finding.severity == "stop" for finding in result.findings):
        says.add("stop")
    if not steps:
        return says
    says.add("finding")
    if all(finding.severity == "check" and finding.decidable for finding in steps):
        says.add("check")
    size = 100 if not curb.booked else 1000 * RAISED
    if all(abs(abs(finding.size or 0.0) * 1000 - size) < 10 for finding in steps):
        says.add("size")
    if all(finding.rivals and finding.rivals[0].kind == "target-height" for finding in steps):
        says.add("pole first")
        if {finding.rivals[0].setup for finding in steps} <= set(curb.booked):
            says.add("right setup")
    return says


SHOWN = (
    "string fails",
    "string ties",
    "bay fails",
    "bay ties",
    "stop",
    "finding",
    "check",
    "size",
    "pole first",
    "right setup",
    "site ties",
    "site unproved",
    "site fails",
)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run what the command line asks for, one line for each world."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("worlds", nargs="*", default=[], metavar="WORLD")
    parser.add_argument("--jobs", type=int, default=90)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    for world in given.worlds or WORLDS:
        counts: Counter[str] = Counter()
        for job in range(given.jobs):
            counts.update(told(*reconciled(world, given.seed, job)))
        said = ", ".join(f"{what} {counts[what]}" for what in SHOWN if counts[what])
        print(f"{world:9}{given.jobs} jobs: {said}", flush=True)


if __name__ == "__main__":
    main()
