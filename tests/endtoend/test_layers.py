"""A layer of pavement between two shot surfaces, and a surface against a design in a file."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.simulate import Aim, Mark, SetupPlan, Site, in_faces, simulate, write_job
from tieup import cli
from tieup.errors import InputError
from tieup.model.settings import Precision

YARD = Path(__file__).parents[2] / "sample_raw" / "drill_yard"
MARKS = {"CP1": (0, 0), "CP2": (0, 60), "CP3": (50, 60), "CP4": (50, 0)}
GRID = [(n, e) for n in range(10, 41, 5) for e in range(10, 51, 5)]
JOB = """\
surfaces:
  base: {codes: [base]}
  top: {codes: [top], strings: [EDGE], against: {surface: base, thickness: 0.05, tolerance: 0.006}}
"""


def layered(folder: Path, thin: float) -> Path:
    """Write a job: base and 50 mm of pavement, ``thin`` (m) less at one spot, from one setup."""
    millimetre = (0.0005, 0.0005, 0.0005)
    marks = [Mark(n, 1000.0 + a, 2000.0 + b, 100.0, millimetre) for n, (a, b) in MARKS.items()]
    side = []
    for kind, above in (("base", 0.0), ("top", 0.050)):
        for number, (n, e) in enumerate(GRID):
            low = thin if (n, e) == (25, 30) and kind == "top" else 0.0
            name = f"{kind[0]}{number}"
            marks.append(Mark(name, 1000.0 + n, 2000.0 + e, 99.0 + 0.01 * n + above - low))
            line = "EDGE" if kind == "top" and n == 10 else ""
            side.append(Aim(name, 1.5, code=kind, string=line))
    sights = [Aim(name, 1.6, role="foresight", code="nail") for name in MARKS]
    rows = [row for aim in sights for row in in_faces(aim, 1, 2)]
    plan = SetupPlan("S1", (*rows, *side), axis=(1026.0, 2031.0, 101.0), orientation=1.0)
    survey = simulate(Site(tuple(marks), (plan,)), Precision(), np.random.default_rng(1))
    write_job(folder, survey)
    with (folder / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write(JOB)
    return folder


def test_a_layer_is_as_thick_as_it_was_paved(tmp_path: Path) -> None:
    """50 mm over 30 m by 40 m is 60 m^3, within 3 sds; least and most as planted."""
    result = tieup.surface(layered(tmp_path / "job", 0.0))
    depths = result.table("top", "depths").set_index("where")
    whole = depths.loc["all"]
    assert whole["area"] == pytest.approx(1200.0, abs=0.5)
    assert abs(whole["net"] - 60.0) < 3 * whole["sd_net"] < 3.0
    assert whole["fill"] == 0.0 and whole["cut"] == whole["net"]
    assert abs(whole["thickness"] - 0.050) < 3 * whole["sd_thickness"]
    edge = depths.loc["EDGE"]
    # of 40 m along the edge of both, what lies inside of the base by its own errors: about half
    assert 10.0 < edge["area"] <= 40.1
    assert abs(edge["thickness"] - 0.050) < 4 * edge["sd_thickness"]
    assert whole["verdict"] in ("pass", "cannot tell")


def test_what_the_two_have_in_common_cancels(tmp_path: Path) -> None:
    """From one setup the mean thickness is known far better than a single height."""
    result = tieup.surface(layered(tmp_path / "job", 0.0))
    single = result.table("top", "points")["sd_elevation"].mean()
    whole = result.table("top", "depths").iloc[0]
    assert whole["sd_thickness"] < single / 3


def test_a_thin_spot_is_found(tmp_path: Path) -> None:
    """30 mm missing at one spot: fails there, and a finding names the place."""
    folder = layered(tmp_path / "job", 0.030)
    result = tieup.surface(folder)
    thickness = result.table("top", "thickness")
    worst = thickness.loc[thickness["thickness"].idxmin()]
    assert worst["verdict"] == "fail" and worst["thickness"] == pytest.approx(0.020, abs=0.006)
    assert (worst["northing"], worst["easting"]) == pytest.approx((1025, 2030), abs=0.02)
    assert result.table("top", "depths")["verdict"][0] == "fail" and result.status == 1
    says = [f["says"] for f in tieup.reconcile(folder).findings if f["kind"] == "layer-thickness"]
    assert len(says) == 1 and "50 mm within 6 mm" in says[0]


def test_a_surface_against_itself_out_of_a_file(tmp_path: Path) -> None:
    """The yard against the LandXML file of an earlier run: nothing between, to the last digit."""
    folder = tmp_path / "job"
    shutil.copytree(YARD, folder)
    assert cli.outcome(["reconcile", str(folder), "--quiet", "--also", "landxml"]) == 1  # a pond
    shutil.copy(folder / "out" / "site.xml", folder / "design.xml")
    path = folder / "job.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(f"{text}    against: {{file: design.xml}}\n", encoding="utf-8")
    result = tieup.surface(folder)
    whole = result.table("yard", "depths").set_index("where").loc["all"]
    assert whole["area"] == pytest.approx(3600.0, abs=0.1)
    assert abs(whole["net"]) < 3600 * 0.00005 and whole["sd_net"] > 0.1
    assert max(abs(whole["least"]), abs(whole["most"])) < 0.0002
    assert whole["verdict"] == ""
    record = tieup.reconcile(folder).reconciliation.run["inputs"]
    assert "design.xml" in str(record)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("<LandXML/>", "has the surfaces none"),
        ("<LandXML><Surfaces><Surface name='a'/></Surfaces></LandXML>", "no Pnts and Faces"),
        (
            "<LandXML><Surfaces><Surface name='a'><Definition><Pnts><P id='1'>1 2</P></Pnts>"
            "<Faces><F>1 1 1</F></Faces></Definition></Surface></Surfaces></LandXML>",
            "Expected northing, easting, elevation",
        ),
        (
            "<LandXML><Surfaces><Surface name='a'><Definition><Pnts><P id='1'>1 2 3</P></Pnts>"
            "<Faces><F>1 2 3</F></Faces></Definition></Surface></Surfaces></LandXML>",
            "Expected the ids of three points",
        ),
        (
            "<LandXML><Surfaces><Surface name='a'><Definition><Pnts>\n<P id='1'>1 2 NaN</P></Pnts>"
            "<Faces><F>1 1 1</F></Faces></Definition></Surface></Surfaces></LandXML>",
            "design.xml:2: a point is 1 2 NaN. Expected northing, easting, elevation",
        ),
        (
            "<LandXML><Surfaces><Surface name='a'><Definition><Pnts><P id='1'>1 2 3</P></Pnts>"
            "<Faces><F>1 1 1</F></Faces></Definition></Surface></Surfaces></LandXML>",
            "states no Units",
        ),
        ("no xml", "not well-formed"),
    ],
)
def test_a_file_that_is_no_surface_is_told(tmp_path: Path, text: str, said: str) -> None:
    """In words, with the file and the line."""
    folder = tmp_path / "job"
    shutil.copytree(YARD, folder)
    (folder / "design.xml").write_text(text, encoding="utf-8")
    with (folder / "job.yaml").open("a", encoding="utf-8") as stream:
        stream.write("    against: {file: design.xml}\n")
    with pytest.raises(InputError, match=said) as caught:
        tieup.surface(folder)
    assert "design.xml" in str(caught.value)
