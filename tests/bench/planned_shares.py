"""Is a mark that the plan would call checked on 8 days in 10 checked on 8 days in 10?

    python -m tests.bench.planned_shares [--days 100] [--kind free] [--control weighted]

One site is planned, then drawn and reconciled day by day with the errors of the stated gear. Over
its marks and setups: the share of days that the plan foretold, and the share of the days drawn.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

import tieup
from tests.montecarlo.sites import PRECISION, Setting, site_of
from tests.montecarlo.stack import STILL
from tests.plan.jobs import JOB, plan_of_survey
from tests.simulate import simulate, write_job

GEAR = (
    ("{direction: 2, zenith: 2, distance: [1.5, 2.0]}", "{direction: 3, zenith: 4, distance: "
     "[1.5, 3.0]}"),
    ("instrument: 0.5, target: 1.0", "instrument: 0.8, target: 1.1"),
    ("instrument: 1.0, target: 0.8", "instrument: 1.2, target: 0.9"),
)  # fmt: skip


def foretold(setting: Setting, folder: Path) -> tuple[dict[str, float], dict[str, float]]:
    """Return the planned shares of marks that are checked and of setups that tie."""
    survey = simulate(site_of(setting), STILL, np.random.default_rng(1))
    control = survey.control
    if control is not None:
        truth = dict(zip(survey.truth.points, survey.truth.position, strict=True))
        exact = np.array([truth[name] for name in control.names])
        survey = replace(survey, control=replace(control, coordinates=exact))
    job = JOB
    for old, new in GEAR:
        job = job.replace(old, new)
    plan = tieup.plan(plan_of_survey(folder, survey, job))
    asked = plan.points[plan.points["proof"].isin(["checked", "unchecked"])]
    marks = dict(zip(asked["point"], asked["checked_share"].fillna(0.0), strict=True))
    words = plan.setups["tie_share"].where(plan.setups["verdict"] != "unproved", 0.0)
    return marks, dict(zip(plan.setups["setup"], words, strict=True))


def main() -> None:
    """Print what was foretold and what came."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=100)
    parser.add_argument("--kind", default="free")
    parser.add_argument("--control", default="weighted")
    given = parser.parse_args()
    setting = Setting(given.kind, given.control)
    checked, tied = Counter[str](), Counter[str]()
    with tempfile.TemporaryDirectory() as place:
        marks, setups = foretold(setting, Path(place) / "plan")
        for day in range(given.days):
            survey = simulate(site_of(setting), PRECISION, np.random.default_rng([7, day]))
            folder = write_job(Path(place) / f"day{day}", survey, stated=PRECISION)
            found = tieup.reconcile(folder)
            table = found.coordinates
            checked.update(table["point"][table["proof"] == "checked"])
            tied.update(found.setups["setup"][found.setups["verdict"] == "ties"])
    for title, planned, came in (("marks checked", marks, checked), ("setups tie", setups, tied)):
        told = np.array(list(planned.values()))
        real = np.array([came[name] / given.days for name in planned])
        off = np.abs(told - real).max(initial=0.0)
        print(f"{title}: {len(told)}, planned {told.mean():.1%}, drawn {real.mean():.1%}, "
              f"largest difference {off:.1%}")  # fmt: skip
        for name, one, two in zip(planned, told, real, strict=True):
            print(f"  {name}: planned {one:.0%}, drawn {two:.0%}")


if __name__ == "__main__":
    main()
