"""A small invented site, made by hand, for the tests of the writers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from tieup.model.answer import SiteVerdict
from tieup.model.finding import Finding, Rival
from tieup.model.job import Job
from tieup.model.reconciliation import Fit, Reconciliation, Summary, Table
from tieup.model.settings import Datum, Precision, Tolerances
from tieup.write.columns import COORDINATES, OBSERVATIONS, SETUPS, TIES

NAN = float("nan")


def table(columns: Mapping[str, str], rows: list[dict[str, Any]]) -> Table:
    """Fill a table: cells that a row does not name are empty."""
    numbers = {name: kind not in ("text", "count") for name, kind in columns.items()}
    empty = {name: NAN if number else "" for name, number in numbers.items()}
    full = [{**empty, **row} for row in rows]
    return {
        name: np.array([row[name] for row in full], dtype=float if number else object)
        for name, number in numbers.items()
    }


def make_job(folder: Path, **changes: Any) -> Job:
    """Return a job in metres and degrees whose raw files need not exist."""
    job = Job(
        folder=folder,
        title="Invented yard",
        angle_unit="deg",
        length_unit="m",
        raw_files=(folder / "raw" / "s1.csv", folder / "raw" / "s2.csv"),
        control_file=folder / "control.csv",
        control_sd=0.0,
        datum=Datum(),
        precision=Precision(),
        refraction=0.13,
        tolerances=Tolerances(),
        confidence=0.95,
        decisions=(),
        table={},
        resolved={},
    )
    return replace(job, **changes)


FINDING = Finding(
    kind="target-height",
    severity="stop",
    setup="S2",
    points=("CP4",),
    lines=("raw/s2.csv:14",),
    size=-0.10000049,
    unit="m",
    sd=0.00123456,
    statistic=41.23456,
    rivals=(Rival("mark-moved", "", ("CP4",), None, True),),
    action="excluded",
    says="S2 puts CP4 12 mm low; limit 3 mm.",
    confirm="Shoot CP4 again from S2 with the pole height read aloud.",
    cure="Subtract -0.100 m from the target height of raw/s2.csv:14.",
)

GOOD_VERDICT = SiteVerdict("ties")
BAD_VERDICT = SiteVerdict("fails", ("1 of 2 ties fail", "1 to settle before use"))
GOOD_FIT = Fit(
    dof=31, sigma0=1.02, statistic=32.3, lower=17.5, upper=48.2, passed=True, iterations=3
)


def make_site(folder: Path, *, ties: bool = False, **changes: Any) -> Reconciliation:
    """Return a site of two setups whose second puts CP4 12 mm low, unless ``ties``."""
    drop = -0.001 if ties else -0.012
    site = Reconciliation(
        job=make_job(folder),
        coordinates=table(
            COORDINATES,
            [
                {"point": "CP4", "northing": 1234.56784, "easting": -0.00004, "elevation": NAN}
                | {"role": "control", "proof": "held", "sd_northing": 0.0004321},
                {"point": "0101", "northing": 5.0, "easting": 6.0, "elevation": 7.0}
                | {"role": "shot", "proof": "unchecked", "code": "lid, 600"},
            ],
        ),
        observations=table(
            OBSERVATIONS,
            [
                {"file": "raw/s1.csv", "line": 2, "setup": "S1", "point": "CP4"}
                | {"kind": "direction", "observed": 12.3456789, "residual": 1.23456},
                {"file": "raw/s1.csv", "line": 2, "setup": "S1", "point": "CP4"}
                | {"kind": "distance", "observed": 48.3125, "adjusted": NAN, "status": "used"},
            ],
        ),
        setups=table(
            SETUPS,
            [
                {"setup": "S1", "station": "CP1", "ties": 3, "geometry": "strong"}
                | {"orientation": 123.456789, "verdict": "ties"},
                {"setup": "S2", "ties": 2, "geometry": "two-tie"}
                | {"verdict": "ties" if ties else "fails"},
            ],
        ),
        ties=table(
            TIES,
            [
                {"point": "CP4", "setup": "S2", "d_horizontal": 0.002, "d_elevation": drop}
                | {"limit_horizontal": 0.006, "limit_elevation": 0.003}
                | {"verdict": "ties" if ties else "fails"},
                {"point": "CP9", "setup": "S1", "verdict": "untested"},
            ],
        ),
        findings=() if ties else (FINDING,),
        summary=Summary(
            datum="held to control CP4",
            minimal=GOOD_FIT,
            held=None,
            rows={"used": 40, "unused": 1, "excluded": 2, "repeated": 3, "invalid": 4},
        ),
        run={"version": "0.1.0", "sigma0": np.float64(1.02), "bound": NAN, "inputs": []},
        verdict=GOOD_VERDICT if ties else BAD_VERDICT,
    )
    return replace(site, **changes)
