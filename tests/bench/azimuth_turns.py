"""How often is a turn of all azimuths named, and is a stated one unbiased?

    python -m tests.bench.azimuth_turns [--jobs 100] [--seed 1]

Invents plans of azimuths and horizontal distances: 6 to 10 marks, two to four of them known, one
or two raw files, azimuths good to 5 to 20 seconds, some lines observed from both ends. All
azimuths of one file or of the job are turned.

    named    the diagnosis says that the azimuths are on another basis, of the right files
    alone    and finds nothing else
    other    something else is found, and no turn
    z        errors of the coordinates over their sds with azimuths: file; mean and rms
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from tests.published.plan_jobs import plan_job
from tieup.config import load_job
from tieup.diagnose.basis.solve import solve
from tieup.diagnose.kinds.basis_of_bearings import BASIS_OF_BEARINGS
from tieup.diagnose.search.diagnose import Diagnosis, diagnose
from tieup.errors import TieupError
from tieup.geometry import ARC_SECOND
from tieup.pipeline import make_case, read_site

HEADER = "setup,station,point,azimuth,horizontal_distance\n"
TURNS = (0.0, 60 * ARC_SECOND, 200 * ARC_SECOND, np.radians(1.0), np.radians(90.0))


@dataclass(frozen=True)
class Plan:
    """One invented plan: where its marks lie, which are known, its lines by file."""

    place: dict[str, complex]
    known: tuple[str, ...]
    lines: tuple[tuple[str, str, int], ...]
    seconds: float
    turned: tuple[int, ...]

    @property
    def files(self) -> int:
        """Return how many raw files there are."""
        return 1 + max(file for _, _, file in self.lines)


def random_plan(random: np.random.Generator) -> Plan:
    """Draw a plan: a ring of marks with lines across, each seen once or from both ends."""
    count = int(random.integers(6, 11))
    reach = random.uniform(60.0, 400.0)
    bearing = np.sort(random.uniform(0.0, 2 * np.pi, count)) + np.linspace(0, 3, count)
    place = {
        f"M{i}": complex(500 + reach * r * np.cos(b), 800 + reach * r * np.sin(b))
        for i, (b, r) in enumerate(zip(bearing, random.uniform(0.5, 1.0, count), strict=True))
    }
    names = list(place)
    ring = [(a, b) for a, b in zip(names, [*names[1:], names[0]], strict=True)]
    across = [
        (a, b)
        for i, a in enumerate(names)
        for b in names[i + 2 :]
        if random.random() < 0.3 and (a, b) != (names[0], names[-1])
    ]
    ends = ring + across
    ends += [(b, a) for a, b in ends if random.random() < 0.3]
    ends = [(a, b) for a, b in ends if abs(place[a] - place[b]) > 15.0]
    files = int(random.integers(1, 3))
    # A file is a part of the way round, so that both have lines enough.
    lines = tuple((a, b, names.index(a) * files // count) for a, b in ends)
    known = tuple(random.choice(names, size=int(random.integers(2, 5)), replace=False).tolist())
    used = sorted({file for _, _, file in lines})
    turned = tuple(used) if random.random() < 0.5 else (used[0],)
    return Plan(place, known, lines, float(random.uniform(5.0, 20.0)), turned)


def write_plan(
    plan: Plan, folder: Path, turn: float, random: np.random.Generator, more: str = ""
) -> Path:
    """Write a job of a plan with readings drawn, the azimuths of turned files ``turn`` larger."""
    control = "".join(
        f"{name},{plan.place[name].real:.5f},{plan.place[name].imag:.5f},,0,0,\n"
        for name in plan.known
    )
    gear = (
        f"instruments: {{default: {{direction: {plan.seconds:.3f}, zenith: 5, "
        "distance: [3, 2]}}\n"
        "centring: {instrument: 1, target: 1}\nheights: {instrument: 0, target: 0}\n"
    )
    job = plan_job(folder, "", control, angle="deg", more=gear + more)
    (job / "raw" / "a.csv").unlink()
    axes = {
        (a, file): plan.place[a] + complex(*random.normal(0.0, 0.001, 2))
        for a, _, file in plan.lines
    }
    texts = dict.fromkeys(range(plan.files), HEADER)
    for a, b, file in plan.lines:
        ray = plan.place[b] + complex(*random.normal(0.0, 0.001, 2)) - axes[a, file]
        azimuth = np.angle(ray) + random.normal(0.0, plan.seconds * ARC_SECOND)
        azimuth += turn if file in plan.turned else 0.0
        far = abs(ray) + random.normal(0.0, 0.003 + 2e-6 * abs(ray))
        texts[file] += f"{a},{a},{b},{np.degrees(azimuth) % 360.0:.8f},{far:.5f}\n"
    for file, text in texts.items():
        (job / "raw" / f"part{file}.csv").write_text(text, encoding="utf-8")
    return job


def diagnosed(job: Path) -> Diagnosis:
    """Return the diagnosis of a job."""
    read = load_job(job)
    return diagnose(make_case(read, *read_site(read)))


def run_job(plan: Plan, turn: float, random: np.random.Generator) -> dict[str, float]:
    """Return what became of one job: named, alone, other, and its strength in sds."""
    with TemporaryDirectory() as folder:
        state = random.bit_generator.state
        job = write_plan(plan, Path(folder) / "job", turn, random)
        random.bit_generator.state = state
        other = write_plan(plan, Path(folder) / "stated", turn, random, "azimuths: file\n")
        found = diagnosed(job).mistakes
        read = load_job(other)
        solved = solve(make_case(read, *read_site(read)))
    adjustment = solved.adjustment
    spread = np.diagonal(adjustment.with_turns.turn)[list(plan.turned)]
    named = [one for one in found if one.kind == BASIS_OF_BEARINGS.name]
    files = set()
    for one in named:
        files |= set(range(plan.files)) if not one.detail else {int(one.detail[-5])}
    z = []
    for name, where in plan.place.items():
        if name not in plan.known and name in solved.case.points:
            number = solved.case.points.index(name)
            off = adjustment.position[number] + solved.network.origin
            sd = np.sqrt(np.diagonal(adjustment.point_covariance[number])[:2])
            z += ((off[:2] - [where.real, where.imag]) / sd).tolist()
    return {
        "strength": turn / float(np.sqrt(spread.max())),
        "named": float(bool(named) and files == set(plan.turned)),
        "wrong": float(bool(named) and files != set(plan.turned)),
        "alone": float(bool(named) and len(named) == len(found)),
        "other": float(bool(found) and not named),
        "rivals": float(sum(len(one.rivals) for one in named)),
        "marks": float(len(plan.known)),
        "z": float(np.sum(z)),
        "square": float(np.sum(np.square(z))),
        "count": float(len(z)),
    }


def main() -> None:
    """Run the jobs of every turn and print one line for each."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--jobs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    for number, turn in enumerate(TURNS):
        random = np.random.default_rng([asked.seed, number])
        rows, refused = [], 0
        for _ in range(asked.jobs):
            try:
                rows.append(run_job(random_plan(random), turn, random))
            except TieupError:  # two files that together have too little of known marks
                refused += 1
        clear = [row for row in rows if row["strength"] > 5.0] if turn else rows
        count = sum(row["count"] for row in rows)
        mean = sum(row["z"] for row in rows) / count
        rms = np.sqrt(sum(row["square"] for row in rows) / count)
        sums = {
            key: int(sum(row[key] for row in clear)) for key in ("named", "wrong", "alone", "other")
        }
        print(
            f"turn {turn / ARC_SECOND:8.0f} s: {len(clear)} jobs above 5 sd of {len(rows)}: "
            + ", ".join(f"{key} {value}" for key, value in sums.items())
            + f", refused {refused}; z mean {mean:+.3f}, rms {rms:.3f} of {count:.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
