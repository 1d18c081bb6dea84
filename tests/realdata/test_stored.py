"""Coordinates that a field controller stored, of a real survey with a wrong instrument height.

Partridge_Survey.xml, a sample survey of 2006 in the public repository nathancrews/LandXML2glTF:
feet, dd.mm.ss, 14 setups that stored every point. The project does not carry it.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import tieup

FILE = Path(__file__).parents[3] / "shared" / "realdata" / "landxml" / "Partridge_Survey.xml"
JOB = """
units: {angle: dms, length: ft}
raw: ["raw/*.xml"]
control: raw/partridge.xml
instruments: {default: {direction: 5, zenith: 5, distance: [4.8768, 3]}}   # 0.016 ft + 3 ppm
"""


@pytest.mark.skipif(not FILE.is_file(), reason="the real survey stands outside the project")
def test_the_setup_whose_instrument_height_is_wrong_stored_its_points_high(
    tmp_path: Path,
) -> None:
    """The adjustment finds setup 100's instrument height too large; its points were stored high.

    No other setup moved. In plan the controller reckoned from the same marks: every shift is
    below 0.001 ft.
    """
    (tmp_path / "raw").mkdir()
    shutil.copy(FILE, tmp_path / "raw" / "partridge.xml")
    (tmp_path / "job.yaml").write_text(JOB, encoding="utf-8")
    result = tieup.reconcile(tmp_path)
    setups = {row["setup"]: row for row in result.field_setups.to_dict("records")}
    assert [name for name, row in setups.items() if row["verdict"] == "moved"] == ["100"]
    (wrong,) = [f for f in result.findings if f["kind"] == "instrument-height"]
    assert wrong["setup"] == "100"
    assert 0.02 < setups["100"]["d_elevation"] < wrong["size"]  # ft
    assert "0.028 ft high; 255 points" in setups["100"]["says"]
    shifts = [abs(row[name]) for row in setups.values() for name in ("d_northing", "d_easting")]
    assert max(shifts) < 0.001  # ft
    assert set(result.field["cause"]) == {"", "with its setup"}
