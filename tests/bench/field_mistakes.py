"""How often is a field mistake found, named rightly, named honestly, or named wrongly?

    python -m tests.bench.field_mistakes [--jobs 200] [--seed 1] [--kinds target-height ...]

Invents sites, plants mistakes whose strength is measured against the smallest that would
be caught, diagnoses them and compares with what was planted:

    detected    a finding was raised at all
    identified  the strongest finding has the planted kind, setup and points, and a size
                within 3 of its own sd
    honest      the planted mistake is among the rivals that the tool calls inseparable
    wrong       something else is claimed
    marks       share of shared marks within 3 of their own sd of the truth afterwards
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from tests.bench.planting import Plan, detectable, plan_discrete, plan_sized
from tests.diagnose.cases import case_of
from tests.simulate import Survey, random_site, simulate
from tests.simulate.survey import Planted
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.search.diagnose import Diagnosis, diagnose
from tieup.errors import TieupError
from tieup.geometry import ARC_SECOND
from tieup.model.settings import Precision

SIZED = (
    "direction",
    "zenith",
    "distance",
    "target-height",
    "target-height-run",
    "instrument-height",
    "prism-constant",
    "distance-scale",
    "instrument-moved",
    "mark-moved",
    "control-coordinate",
)
DISCRETE = (
    "point-name",
    "swapped-names",
    "station-name",
    "distance-unit",
    "mirrored-circle",
    "angle-unit",
    "vertical-angle-kind",
    "name-collision",
    "swapped-axes",
)
FACTOR = {"m": 1.0, "rad": ARC_SECOND, "1": 1e-6}
SAME_KIND = {"backsight": "point-name"}


@dataclass
class Tally:
    """Counts of one kind and strength."""

    jobs: int = 0
    detected: int = 0
    identified: int = 0
    honest: int = 0
    wrong: int = 0
    marks: int = 0
    marks_good: int = 0
    before: list[float] = field(default_factory=list)
    after: list[float] = field(default_factory=list)

    def row(self) -> str:
        """Return the counts as shares."""
        jobs = max(self.jobs, 1)
        good = (self.identified + self.honest) / jobs
        return (
            f"{self.jobs:5d} {self.detected / jobs:8.1%} {self.identified / jobs:8.1%} "
            f"{self.honest / jobs:8.1%} {good:8.1%} {self.wrong / jobs:8.1%} "
            f"{self.marks_good / max(self.marks, 1):8.2%}"
        )


def kind_of(kind: str) -> str:
    """Return the finding kind of a planted kind or variant."""
    return SAME_KIND.get(kind, kind.removesuffix("-run"))


def same_subject(mistake: Mistake, planted: Planted) -> bool:
    """Say whether a mistake speaks of the planted setup and points."""
    points = set(mistake.points) | set(mistake.instead)
    setup = not planted.setup or mistake.setup in ("", planted.setup)
    setup |= planted.kind == "name-collision" and planted.setup in mistake.detail.split()
    return setup and (not planted.points or bool(points & set(planted.points)))


def right_size(mistake: Mistake, planted: Planted) -> bool:
    """Say whether the size is within 3 of its own sd of the planted one."""
    if planted.size is None or not len(mistake.size):
        return True
    true = planted.size * FACTOR.get(mistake.unit, 1.0)
    if planted.vector is not None and len(mistake.size) > 1:
        letters = mistake.detail if set(mistake.detail) <= set("NEH") else "NEH"
        vector = np.array([planted.vector["NEH".index(c)] for c in (letters or "NEH")])
        away = mistake.size - vector[: len(mistake.size)]
        return bool(away @ np.linalg.pinv(mistake.covariance) @ away < 20.0)
    if mistake.kind == "instrument-moved" and len(mistake.size) == 4:
        twist, sd = mistake.size[3], mistake.covariance[3, 3] ** 0.5
        return bool(abs(twist - planted.size * ARC_SECOND) < 3.3 * sd)
    return bool(abs(mistake.magnitude - true) < 3.3 * mistake.sd + 1e-6)


def judge(diagnosis: Diagnosis, planted: tuple[Planted, ...]) -> list[str]:
    """Return identified, honest, missed or wrong for each planted mistake."""
    verdicts = []
    for one in planted:
        verdict = "missed" if not diagnosis.mistakes else "wrong"
        for mistake in diagnosis.mistakes:
            if kind_of(mistake.kind) == kind_of(one.kind) and same_subject(mistake, one):
                verdict = "identified" if right_size(mistake, one) else "size"
                break
            rivals = [r for r in mistake.rivals if not r.separable]
            if any(
                kind_of(r.kind) == kind_of(one.kind)
                and (not one.setup or r.setup in ("", one.setup))
                for r in rivals
            ):
                verdict = "honest"
        verdicts.append(verdict)
    return verdicts


def marks_near_truth(diagnosis: Diagnosis, survey: Survey) -> tuple[int, int]:
    """Count shared marks and those within 3 of their own sd (in each component) of the truth."""
    solved = diagnosis.solved
    adjustment, network = solved.adjustment, solved.network
    truth = dict(zip(survey.truth.points, survey.truth.position, strict=True))
    seen = np.unique(np.column_stack([network.sights.point, network.sights.setup]), axis=0)
    shared = np.flatnonzero(np.bincount(seen[:, 0], minlength=len(network.point_names)) > 1)
    moved = {point for one in survey.planted if one.kind == "mark-moved" for point in one.points}
    total = good = 0
    for p in shared:
        name = network.point_names[p]
        sd = np.sqrt(np.diagonal(adjustment.point_covariance[p]))
        if name in moved or name not in truth or not np.isfinite(sd).all() or (sd < 1e-9).any():
            continue
        away = np.abs(adjustment.position[p] + network.origin - truth[name])
        total += 3
        good += int((away < 3 * sd).sum())
    return total, good


def jobs(
    kind: str, strength: tuple[float, float], count: int, rng: np.random.Generator
) -> Iterator[tuple[Survey, Plan, float]]:
    """Draw sites with four or more spread ties and plant one mistake in each."""
    stated = Precision()
    made = tries = 0
    while made < count and tries < 40 * count:
        tries += 1
        occupied = kind in ("instrument-height", "station-name") or rng.uniform() < 0.5
        try:
            site = random_site(
                rng,
                setups=int(rng.integers(3, 7)),
                kind="mixed" if occupied else "free",
                ties=int(rng.integers(4, 7)),
                control=str(rng.choice(["held", "weighted"])),  # type: ignore[arg-type]
                side_shots=6,
            )
            survey = simulate(site, stated, rng)
            if kind in SIZED:
                plan = plan_sized(survey, kind, rng)
                size = detectable(site, plan, stated) * rng.uniform(*strength)
                if not np.isfinite(size):
                    continue
            else:
                plan, size = plan_discrete(survey, kind, rng), 0.0
            planted = plan.inject(survey, size)
        except ValueError:
            continue
        made += 1
        yield planted, plan, size


def run_kind(
    kind: str, strength: tuple[float, float], count: int, seed: int, verbose: bool = False
) -> Tally:
    """Plant and diagnose ``count`` jobs of one kind."""
    tally = Tally()
    for survey, _, size in jobs(kind, strength, count, np.random.default_rng(seed)):
        tally.jobs += 1
        try:
            diagnosis = diagnose(case_of(survey))
        except TieupError as error:
            tally.detected += 1
            tally.wrong += 1
            if verbose:
                print("   error", error)
            continue
        verdict = judge(diagnosis, survey.planted)[0]
        tally.detected += verdict != "missed"
        tally.identified += verdict == "identified"
        tally.honest += verdict == "honest"
        tally.wrong += verdict in ("wrong", "size")
        total, good = marks_near_truth(diagnosis, survey)
        tally.marks += total
        tally.marks_good += good
        if verbose and verdict not in ("identified", "honest"):
            print("  ", verdict, survey.planted[0], f"size {size:.4g}")
            for m in diagnosis.mistakes:
                rivals = [(r.kind, r.setup, r.points[:2], r.separable) for r in m.rivals]
                print("      ", m.kind, m.setup, m.points, m.size, m.sd, m.detail, rivals)
    return tally


def run_pairs(count: int, seed: int, verbose: bool = False) -> Tally:
    """Plant two different mistakes of 5 to 20 minimal biases in each job; judge both."""
    rng, tally, stated = np.random.default_rng(seed), Tally(), Precision()
    kinds = [k for k in (*SIZED, "point-name", "swapped-names") if k != "instrument-height"]
    while tally.jobs < count:
        try:
            site = random_site(
                rng,
                setups=int(rng.integers(3, 7)),
                ties=int(rng.integers(5, 7)),
                control=str(rng.choice(["held", "weighted"])),  # type: ignore[arg-type]
                side_shots=6,
            )
            survey = simulate(site, stated, rng)
            for kind in rng.choice(kinds, 2, replace=False):
                if kind in SIZED:
                    plan = plan_sized(survey, str(kind), rng)
                    size = detectable(site, plan, stated) * rng.uniform(5.0, 20.0)
                    if not np.isfinite(size):
                        raise ValueError("cannot be seen")
                else:
                    plan, size = plan_discrete(survey, str(kind), rng), 0.0
                survey = plan.inject(survey, size)
        except ValueError:
            continue
        tally.jobs += 1
        try:
            diagnosis = diagnose(case_of(survey))
        except TieupError:
            tally.wrong += 1
            continue
        verdicts = judge(diagnosis, survey.planted)
        tally.detected += bool(diagnosis.mistakes)
        good = all(v in ("identified", "honest") for v in verdicts)
        tally.identified += all(v == "identified" for v in verdicts)
        tally.honest += good and not all(v == "identified" for v in verdicts)
        tally.wrong += not good
        total, near = marks_near_truth(diagnosis, survey)
        tally.marks += total
        tally.marks_good += near
        if verbose and not good:
            for planted, verdict in zip(survey.planted, verdicts, strict=True):
                print("  ", verdict, planted.kind, planted.setup, planted.points, planted.size)
            for m in diagnosis.mistakes:
                rivals = [(r.kind, r.setup, r.points[:2], r.separable) for r in m.rivals]
                print("      ", m.kind, m.setup, m.points, m.size, m.sd, m.detail, rivals)
    return tally


def run_clean(count: int, seed: int) -> tuple[int, int]:
    """Return clean jobs and how many of them raised any mistake."""
    rng, false = np.random.default_rng(seed), 0
    done = 0
    while done < count:
        try:
            site = random_site(
                rng,
                setups=int(rng.integers(2, 8)),
                kind=str(rng.choice(["free", "mixed", "occupied"])),  # type: ignore[arg-type]
                ties=int(rng.integers(3, 7)),
                control=str(rng.choice(["held", "weighted"])),  # type: ignore[arg-type]
                side_shots=6,
            )
        except ValueError:
            continue
        done += 1
        found = diagnose(case_of(simulate(site, Precision(), rng))).mistakes
        false += bool(found)
    return done, false


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", nargs="*", default=[*SIZED, *DISCRETE])
    parser.add_argument("--clean", action="store_true")
    parser.add_argument("--pairs", action="store_true", help="two mistakes in one job")
    parser.add_argument("--weak", action="store_true", help="also 1.5 to 5 MDB")
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    if options.clean:
        started = time.perf_counter()
        done, false = run_clean(options.jobs, options.seed)
        print(
            f"clean jobs {done}, with a false finding {false}"
            f" ({(time.perf_counter() - started) / done * 1000:.0f} ms a job)"
        )
    print(
        f"{'kind':<22} {'MDB':<8} {'jobs':>5} detected identif.   honest     both    wrong    marks"
    )
    if options.pairs:
        tally = run_pairs(options.jobs, options.seed, options.verbose)
        print(f"{'two mistakes':<22} {'5-20':<8} {tally.row()}", flush=True)
    for kind in options.kinds:
        ranges = {"5-20": (5.0, 20.0)}
        if kind in SIZED and options.weak:
            ranges["1.5-5"] = (1.5, 5.0)
        for name, strength in ranges.items():
            tally = run_kind(kind, strength, options.jobs, options.seed, options.verbose)
            label = name if kind in SIZED else "-"
            print(f"{kind:<22} {label:<8} {tally.row()}", flush=True)


if __name__ == "__main__":
    main()
