"""A textbook net of GNSS baselines through files.

Ghilani, Adjustment Computations, the example of the chapter on GNSS vector networks: A and B
held, 13 baselines of about 10 km with full covariances. Inputs and answers from memory: X, Y and
the reference variance recalled agree with an independent dense solution to their last digit; Z was
not recalled to the millimetre, and is held against that dense solution alone. The components are
earth-centred X, Y, Z; here they stand as northing, easting and elevation, three axes like any.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import tieup

KNOWN = {
    "A": (402.35087, -4652995.30109, 4349760.77753),
    "B": (8086.03178, -4642712.84739, 4360439.08326),
}
BASELINES = """\
A,C,11644.2232,3601.2165,3399.2550,9.884E-4,-9.580E-6,9.520E-6,9.377E-4,-9.520E-6,9.827E-4
A,E,-5321.7164,3634.0754,3173.6652,2.158E-4,-2.100E-6,2.160E-6,1.919E-4,-2.100E-6,2.005E-4
B,C,3960.5442,-6681.2467,-7279.0148,2.305E-4,-2.230E-6,2.070E-6,2.546E-4,-2.230E-6,2.252E-4
B,D,-11167.6076,-394.5204,-907.9593,2.700E-4,-2.750E-6,2.850E-6,2.721E-4,-2.720E-6,2.670E-4
D,C,15128.1647,-6286.7054,-6371.0583,1.461E-4,-1.430E-6,1.340E-6,1.614E-4,-1.440E-6,1.308E-4
D,E,-1837.7459,-6253.8534,-6596.6697,1.231E-4,-1.190E-6,1.220E-6,1.277E-4,-1.210E-6,1.283E-4
F,A,-1116.4523,-4596.1610,-4355.8962,7.475E-5,-7.900E-7,8.800E-7,6.593E-5,-8.100E-7,7.616E-5
F,C,10527.7852,-994.9377,-956.6246,2.567E-4,-2.250E-6,2.400E-6,2.163E-4,-2.270E-6,2.397E-4
F,E,-6438.1364,-962.0694,-1182.2305,9.442E-5,-9.200E-7,1.040E-6,9.959E-5,-8.900E-7,8.826E-5
F,D,-4600.3787,5291.7785,5414.4311,9.330E-5,-9.900E-7,9.000E-7,9.875E-5,-9.900E-7,1.204E-4
F,B,6567.2311,5686.2926,6322.3917,6.643E-5,-6.500E-7,6.900E-7,7.465E-5,-6.400E-7,6.048E-5
B,F,-6567.2310,-5686.3033,-6322.3807,5.512E-5,-6.300E-7,6.100E-7,7.472E-5,-6.300E-7,6.629E-5
A,F,1116.4577,4596.1553,4355.9141,6.619E-5,-8.000E-7,9.000E-7,8.108E-5,-8.200E-7,9.376E-5
"""
HEAD = (
    "from,to,d_northing,d_easting,d_elevation,var_northing,cov_northing_easting,"
    "cov_northing_elevation,var_easting,cov_easting_elevation,var_elevation\n"
)
PUBLISHED = {  # X, Y in m
    "C": (12046.5808, -4649394.0826),
    "D": (-3081.5831, -4643107.3692),
    "E": (-4919.3391, -4649361.2199),
    "F": (1518.8012, -4648399.1453),
}


def dense_heights() -> dict[str, float]:
    """Return Z of the free marks from N = A'PA with full covariances."""
    free = tuple(PUBLISHED)
    normal, right = np.zeros((12, 12)), np.zeros(12)
    for line in BASELINES.splitlines():
        start, end, *numbers = line.split(",")
        values = np.array(numbers, dtype=float)
        covariance = np.zeros((3, 3))
        covariance[np.triu_indices(3)] = values[3:]
        weight = np.linalg.inv(covariance + np.triu(covariance, 1).T)
        rows, offset = np.zeros((3, 12)), values[:3].copy()
        for name, sign in ((end, 1.0), (start, -1.0)):
            if name in KNOWN:
                offset -= sign * np.array(KNOWN[name])
            else:
                rows[:, 3 * free.index(name) : 3 * free.index(name) + 3] = sign * np.eye(3)
        normal += rows.T @ weight @ rows
        right += rows.T @ weight @ offset
    return dict(zip(free, np.linalg.solve(normal, right)[2::3].tolist(), strict=True))


def test_a_net_of_baselines_to_the_printed_digit(tmp_path: Path) -> None:
    """X and Y to 0.1 mm, the reference variance 0.6135 on 27 degrees of freedom."""
    (tmp_path / "baselines.csv").write_text(HEAD + BASELINES)
    rows = "".join(f"{name},{x},{y},{z}\n" for name, (x, y, z) in KNOWN.items())
    (tmp_path / "control.csv").write_text(f"point,northing,easting,elevation\n{rows}")
    (tmp_path / "job.yaml").write_text(
        "units: {angle: deg, length: m}\nbaselines: baselines.csv\ntolerances: control\n"
    )
    result = tieup.reconcile(tmp_path)
    run, table = result.reconciliation.run, result.coordinates.set_index("point")
    assert run["dof"] == 27
    assert run["sigma0"] ** 2 == pytest.approx(0.6135, abs=5.1e-5)
    assert not [f for f in result.findings if f["severity"] == "stop"]
    for name, place in PUBLISHED.items():
        found = table.loc[name, ["northing", "easting"]].astype(float)
        np.testing.assert_allclose(found, place, rtol=0, atol=1.1e-4)
    for name, height in dense_heights().items():
        assert float(table.loc[name].elevation) == pytest.approx(height, abs=1e-5)
