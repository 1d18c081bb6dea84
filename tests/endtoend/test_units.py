"""Six notations of angles and three units of length say the same site."""

from __future__ import annotations

import math
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from tests.endtoend.jobs import Output, reconcile, reconciled
from tests.simulate import Survey, random_site, simulate, write_job
from tests.simulate.notation import AngleUnit, LengthUnit
from tieup.model.settings import Precision

METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200.0 / 3937.0}
ANGLES: tuple[AngleUnit, ...] = get_args(AngleUnit)
LENGTHS: tuple[LengthUnit, ...] = get_args(LengthUnit)
CIRCLE = {"deg": 360.0, "gon": 400.0, "rad": 2.0 * math.pi, "mil": 6400.0}


@pytest.fixture(scope="module")
def survey() -> Survey:
    """Return one clean day in two setups, one of them over a mark."""
    rng = np.random.default_rng(8)
    return simulate(random_site(rng, setups=2, kind="mixed", side_shots=3), Precision(), rng)


@pytest.fixture(scope="module")
def reference(survey: Survey, tmp_path_factory: pytest.TempPathFactory) -> Output:
    """Return the day in radians and metres."""
    folder = tmp_path_factory.mktemp("reference") / "job"
    return reconciled(write_job(folder, survey, angle="rad"))


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("angle", ANGLES)
def test_every_notation_gives_the_same_site(
    survey: Survey,
    reference: Output,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    angle: AngleUnit,
    length: LengthUnit,
) -> None:
    """Coordinates equal to the four decimals written, statistics to their last digit."""
    job = write_job(tmp_path / "job", survey, angle=angle, length=length)
    run = reconcile(capsys, job)
    assert run.status == reference.status == 0
    metre = METRES[length]
    places, wanted = run.by("coordinates", "point"), reference.by("coordinates", "point")
    assert list(places) == list(wanted)
    for name, row in places.items():
        for column in ("northing", "easting", "elevation"):
            ours, theirs = float(row[column]) * metre, float(wanted[name][column])
            assert ours == pytest.approx(theirs, abs=0.5001e-4 * (1.0 + metre))  # m, both rounded
        for column in ("sd_northing", "ellipse_major", "elevation_interval"):
            ours, theirs = float(row[column]) * metre, float(wanted[name][column])
            assert ours == pytest.approx(theirs, abs=0.51e-5 * (1.0 + metre))
        assert (row["role"], row["proof"]) == (wanted[name]["role"], wanted[name]["proof"])
    own, other = run.table("observations"), reference.table("observations")
    for row, want in zip(own, other, strict=True):
        for column in ("residual", "sd", "redundancy", "w", "mdb"):
            assert (row[column] == "") is (want[column] == "")
            if row[column]:  # one of the last digit of each column
                last = 0.00011 if column in ("redundancy", "w") else 0.0011
                assert float(row[column]) == pytest.approx(float(want[column]), abs=last)
    assert run.document("run")["sigma0"] == pytest.approx(reference.document("run")["sigma0"])


@pytest.mark.parametrize("angle", [unit for unit in ANGLES if unit in CIRCLE])
def test_angles_are_written_in_the_unit_of_the_job(
    survey: Survey, tmp_path: Path, capsys: pytest.CaptureFixture[str], angle: AngleUnit
) -> None:
    """Observed and adjusted directions are numbers of the full circle of the job's unit."""
    run = reconcile(capsys, write_job(tmp_path / "job", survey, angle=angle))
    gap = 648_000.0 / math.pi * 2.0 * math.pi / CIRCLE[angle]  # arc seconds in one unit
    for row in run.table("observations"):
        if row["kind"] in ("direction", "zenith"):
            assert 0.0 <= float(row["adjusted"]) < CIRCLE[angle]
            moved = (float(row["adjusted"]) - float(row["observed"])) * gap
            moved = (moved + 648_000.0) % 1_296_000.0 - 648_000.0
            assert moved == pytest.approx(float(row["residual"]), abs=0.011)  # arc seconds
    for row in run.table("setups"):
        assert 0.0 <= float(row["orientation"]) < CIRCLE[angle]


def test_a_column_may_have_a_unit_of_its_own(
    survey: Survey, reference: Output, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Zenith angles in gon beside directions in dms, poles in feet beside distances in metres."""
    job = write_job(tmp_path / "job", survey, angle="dms")
    gon = write_job(tmp_path / "gon", survey, angle="gon")
    feet = write_job(tmp_path / "feet", survey, length="ft")
    for path in (job / "raw").glob("*.csv"):
        texts = [p.read_text(encoding="utf-8").splitlines() for p in
                 (path, gon / "raw" / path.name, feet / "raw" / path.name)]  # fmt: skip
        header = texts[0][0].split(",")
        zenith, pole = header.index("zenith"), header.index("target_height")
        lines = [texts[0][0]]
        for own, in_gon, in_feet in zip(*(text[1:] for text in texts), strict=True):
            cells = own.split(",")
            cells[zenith], cells[pole] = in_gon.split(",")[zenith], in_feet.split(",")[pole]
            lines.append(",".join(cells))
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    columns = [f"  {name}: {name}" for name in header if name not in ("zenith", "target_height")]
    more = "\n".join(
        [
            "columns:",
            *columns,
            "  zenith: {column: zenith, unit: gon}",
            "  target_height: {column: target_height, unit: ft}",
        ]
    )
    text = (job / "job.yaml").read_text(encoding="utf-8")
    (job / "job.yaml").write_text(f"{text}{more}\n", encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == 0, run.errors
    for name in reference.by("coordinates", "point"):
        assert math.dist(run.place(name), reference.place(name)) < 2e-4  # m
