"""Plans against worked examples: traverses, an azimuth net, a trilateration, a resection.

Each source stands beside its check; "from memory" where the example itself was not at hand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.published.plan_jobs import GEAR, NO_CENTRING, places, reconciled

TRAVERSE = """setup,station,point,azimuth,horizontal_distance
A,A,B,26-10-00,285.10
B,B,C,104-35-00,610.45
C,C,D,195-30-00,720.48
D,D,E,358-18-00,203.00
E,E,A,306-54-00,647.02
"""
LOOP = """setup,station,point,azimuth,horizontal_distance
A,A,B,248-05-35,472.68
B,B,C,340-14-00,216.13
C,C,D,45-55-20,276.52
D,D,A,125-00-45,382.24
"""
LINK = """setup,station,point,azimuth,horizontal_distance
Q,Q,R,123-36-22,398.75
R,R,S,255-17-42,422.89
S,S,T,43-05-47,604.49
"""


def test_a_loop_traverse_closes_as_its_report_says(tmp_path: Path) -> None:
    """Purdue ASM215 traverse: closure -0.71, +0.53 ft, perimeter 2466.05 ft, about 1/2771.

    The report sums latitudes and departures that it has rounded to 0.01 ft, five of each; it
    rounds the closure to 0.89 ft before it divides.
    """
    result = reconciled(tmp_path / "job", TRAVERSE, "A,10000,10000,,0,0,\n", length="ft")
    (row,) = result.traverses.to_dict("records")
    assert row["traverse"] == "A-B-C-D-E-A" and row["kind"] == "loop" and row["legs"] == 5
    assert row["length"] == pytest.approx(2466.05, abs=1e-9)
    assert row["d_northing"] == pytest.approx(-0.71, abs=5 * 0.005)
    assert row["d_easting"] == pytest.approx(0.53, abs=5 * 0.005)
    assert row["precision"] == pytest.approx(2771, rel=0.01)
    # One leg at a time the report's rounded latitudes and departures give its closure to the digit.
    legs = [row.split(",")[3:] for row in TRAVERSE.splitlines()[1:]]
    azimuth = np.radians([sum(int(p) / 60**n for n, p in enumerate(a.split("-"))) for a, _ in legs])
    length = np.array([float(d) for _, d in legs])
    rounded = [np.round(length * part, 2).sum() for part in (np.cos(azimuth), np.sin(azimuth))]
    assert np.round(rounded, 2).tolist() == [-0.71, 0.53]


def test_a_loop_in_feet_closes_as_its_author_says(tmp_path: Path) -> None:
    """Mahun, Open Access Surveying Library, traverse computations ch. I: sums +0.083, +0.075 ft."""
    result = reconciled(tmp_path / "job", LOOP, "A,0,0,,0,0,\n", length="ft")
    (row,) = result.traverses.to_dict("records")
    assert row["d_northing"] == pytest.approx(0.083, abs=4 * 0.0005)
    assert row["d_easting"] == pytest.approx(0.075, abs=4 * 0.0005)


def test_a_link_traverse_arrives_where_its_author_does(tmp_path: Path) -> None:
    """Mahun, the same: from Q to T (2713.835, 1727.740) through R and S."""
    control = "Q,2600.480,1391.670,,0,0,\nT,2713.835,1727.740,,0,0,\n"
    result = reconciled(tmp_path / "job", LINK, control, length="ft")
    (row,) = result.traverses.to_dict("records")
    assert row["kind"] == "link" and row["traverse"] in ("Q-R-S-T", "T-S-R-Q")
    assert abs(row["d_northing"]) < 0.0015 and abs(row["d_easting"]) < 0.0015


def test_an_azimuth_net_places_its_marks(tmp_path: Path) -> None:
    """Mahun, COGO self-study 1: an inaccessible line by azimuths from two known points.

    Printed LR 836.445, 1450.051 and FP 463.846, 2435.613 (the last digit may be cut off).
    """
    rows = (
        "setup,station,point,azimuth\nS1,1,LR,253-26-15\nS1,1,FP,140-54-25\n"
        "S2,2,LR,314-33-26\nS2,2,FP,91-34-08\n"
    )
    control = "1,1000,2000,,0,0,\n2,480.951,1811.082,,0,0,\n"
    found = places(reconciled(tmp_path / "job", rows, control, more=NO_CENTRING))
    assert found["LR"] == pytest.approx((836.445, 1450.051), abs=0.0011)
    assert found["FP"] == pytest.approx((463.846, 2435.613), abs=0.0011)


def test_a_resection_from_angles_alone(tmp_path: Path) -> None:
    """Ferris State Univ., three-point resection: P 2128.3903 E, 5578.1443 N (exact to 0.1 mm)."""
    rows = "setup,point,direction\nP,A,0-00-00\nP,B,109-30-45\nP,C,224-36-05\n"
    control = "A,5300,1000,,0,0,\nB,6300,2200,,0,0,\nC,5000,3100,,0,0,\n"
    result = reconciled(tmp_path / "job", rows, control)
    assert places(result)["P"] == pytest.approx((5578.1443, 2128.3903), abs=1.5e-4)
    assert result.coordinates["elevation"].isna().all()
    assert not any("no row has a" in finding["says"] for finding in result.findings)


KNOWN = {"A": (4527.15, 865.40), "B": (2047.25, 2432.55), "C": (27.15, 2865.22)}
FAR = {"A": 6049.00, "B": 4736.83, "C": 5446.49}


def test_a_trilateration_from_three_known_marks(tmp_path: Path) -> None:
    """Ghilani and Wolf, Adjustment Computations, ch. 14, station U (inputs from memory).

    The answer is that of an independent least-squares solution with the stated sds.
    """
    rows = "setup,station,point,horizontal_distance\n" + "".join(
        f"{name},{name},U,{far}\n" for name, far in FAR.items()
    )
    control = "".join(f"{name},{n},{e},,0,0,\n" for name, (n, e) in KNOWN.items())
    result = reconciled(tmp_path / "job", rows, control, length="ft", more=GEAR + NO_CENTRING)
    known, far = np.array(list(KNOWN.values())), np.array(list(FAR.values()))
    sd = 0.003 / 0.3048 + 2e-6 * far

    def misfit(place: np.ndarray) -> np.ndarray:
        return (np.hypot(*(place - known).T) - far) / sd

    answer = least_squares(misfit, [3700.0, 6850.0], xtol=1e-14, ftol=1e-14)
    assert places(result)["U"] == pytest.approx(answer.x, abs=2e-4)
    fit = result.reconciliation.run["held_fit"]
    assert fit["dof"] == 1
    assert fit["sigma0"] == pytest.approx(float(np.sqrt(2.0 * answer.cost)), rel=1e-4)
    # Both sds stand out by one factor, for how well one check shows them.
    spread = np.sqrt(np.diag(np.linalg.inv(answer.jac.T @ answer.jac)))
    row = result.coordinates.set_index("point").loc["U"]
    ratio = np.array([row["sd_northing"], row["sd_easting"]]) / spread
    assert ratio[0] == pytest.approx(ratio[1], rel=1e-3) and ratio[0] >= 1.0
