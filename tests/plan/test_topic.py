"""The plan that `tieup explain planning` shows is what the command prints."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.plan.jobs import write_plan_job
from tieup import cli
from tieup.explain.pages import topics

JOB = """\
title: North bay
units: {angle: dms, length: m}
control: control.csv
plan: {places: places.csv, sights: sights.csv}
"""
CONTROL = """\
point,northing,easting,elevation,sd_northing,sd_easting,sd_elevation
CP1,1000,1000,10,0.001,0.001,0.001
CP2,1060,1000,11,0.001,0.001,0.001
CP3,1060,1060,12,0.001,0.001,0.001
"""
PLACES = """\
point,northing,easting,elevation
S1,1020,1025,12
S2,1025,1080,12
T1,1045,1040,11
T2,1000,1060,11
"""
SIGHTS = """\
setup,station,point,rounds,faces
S1,,CP1,1,2
S1,,CP2,1,2
S1,,CP3,1,2
S1,,T1,1,2
S1,,T2,1,2
S2,,T1,1,2
S2,,T2,1,2
"""


def test_the_topic_shows_what_is_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every line of the screen in it is a line of the real one, in order; its rows are real."""
    section = topics()["planning"]
    shown = section.split("tieup plan north_bay\n")[1].split("\nHow well")[0]
    wanted = [line[4:] for line in shown.splitlines() if line.strip() not in ("", "...")]
    folder = write_plan_job(tmp_path, job=JOB, control=CONTROL, places=PLACES, sights=SIGHTS)
    assert cli.outcome(["plan", str(folder), "--width", "80"]) == 1
    printed = capsys.readouterr().out.splitlines()
    assert len(wanted) > 6
    places = [printed.index(line) for line in wanted]
    assert places == sorted(places)
    for row in ("S2,1025,1080,12", "T1,1045,1040,11"):
        assert row in section
        assert row in PLACES
    assert "S2,,T1,1,2" in section
    assert "S2,,T1,1,2" in SIGHTS
