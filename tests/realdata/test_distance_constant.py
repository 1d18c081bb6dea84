"""The distance constant of three real instruments, through the whole command.

Data: norlab-ulaval/RTS_project, data/<date>/total_stations, MIT licence, (c) 2022 Maxime Vaidis.
Not part of this project: read where a copy lies beside it. The owners' own reader adds +10 mm
to every distance.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import tieup
from tests.at_hand import RTS, needs_rts

JOB = """\
units: {angle: rad, length: m}
datum: free
instruments: {default: {direction: 4, zenith: 4, distance: [2, 2]}}
centring: {target: 1.5}
heights: {target: 1.5}
"""

# file: constant (mm) solved for all elsewhere, dof and sigma0 of the plain solution
SETS = {
    "20220314_GCP.txt": (9.7, 40, 1.037),
    "20220331-1_GCP.txt": (11.3, 52, 0.901),
    "20220622-1_GCP_raw.txt": (7.7, 82, 0.602),
}


@needs_rts
@pytest.mark.parametrize("name", list(SETS))
def test_the_constant_of_a_whole_job_is_reported_and_nothing_is_left_out(
    name: str, tmp_path: Path
) -> None:
    """Within one sd of +9.7, +11.3, +7.7 mm, which are of the stated weights; ours are refined.

    A note within chance, a check beyond 3.3 sds.
    """
    constant, dof, sigma0 = SETS[name]
    table = np.genfromtxt(RTS / name, delimiter=",", skip_header=1)
    table = table[table[:, 2] == 0]
    rows = [
        f"S{int(r[0])},P{int(r[1])},{np.mod(r[4], 2 * np.pi):.6f},{r[3]:.6f},{r[5]:.6f}"
        for r in table
    ]
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw" / "a.csv").write_text(
        "setup,point,direction,zenith,distance\n" + "\n".join(rows) + "\n", encoding="utf-8"
    )
    (tmp_path / "job.yaml").write_text(JOB, encoding="utf-8")
    result = tieup.reconcile(tmp_path)
    run = result.reconciliation.run
    assert run["dof"] == dof
    assert run["sigma0"] == pytest.approx(sigma0, abs=0.001)
    assert (result.observations.status == "used").all()
    (found,) = [f for f in result.findings if f["kind"] == "prism-constant"]
    assert found["size"] * 1e3 == pytest.approx(-constant, abs=found["sd"] * 1e3)  # mm
    assert found["severity"] == ("check" if found["statistic"] > 3.3 else "note")
    assert found["action"] == "left in"
    assert f"+{abs(found['size']) * 1e3:.1f} mm" in found["says"]
    (told,) = re.findall(r"give or take ([\d.]+) mm", found["says"])
    assert float(told) == pytest.approx(found["sd"] * 1e3, abs=0.101)


@needs_rts
def test_accepting_the_constant_takes_it_off(tmp_path: Path) -> None:
    """With the finding accepted the distances ask for nothing more."""
    name = "20220331-1_GCP.txt"
    test_the_constant_of_a_whole_job_is_reported_and_nothing_is_left_out(name, tmp_path)
    first = tieup.reconcile(tmp_path)
    (finding,) = [f for f in first.findings if f["kind"] == "prism-constant"]
    (tmp_path / "job.yaml").write_text(
        f"{JOB}decisions: [{{accept: {finding['id']}, reason: known line says so}}]\n",
        encoding="utf-8",
    )
    second = tieup.reconcile(tmp_path)
    (settled,) = [f for f in second.findings if f["kind"] == "prism-constant"]
    assert settled["action"] == "accepted"
    # 0.72 with the constant as one more unknown: 51 degrees of freedom instead of 52.
    alone = second.reconciliation.run["sigma0"] * (52 / 51) ** 0.5
    assert alone == pytest.approx(0.72, abs=0.005)
