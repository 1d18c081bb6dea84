"""Quantities of raw rows against arithmetic by hand, one small table each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.read.jobs import make_job
from tests.read.landxml_files import SETUP, group, landxml, shot, xml_job
from tieup.audit.raw_evidence import RawEvidence
from tieup.audit.raw_measures import MEASURES
from tieup.config.rule_sets import raw_data_rules
from tieup.read import read_control, read_fieldbook
from tieup.reduce.groups import group_extreme, group_median
from tieup.reduce.measured import Measured
from tieup.reduce.quantities import QUANTITIES
from tieup.ties.rule_checks import check_rule
from tieup.ties.rule_measures import MEASURES as SITE_MEASURES

SECOND = np.pi / 648_000
MM = 0.001
CONTROL = "point,northing,easting,elevation\nCP1,0,0,10\nCP2,100,0,10\nCP3,0,100,10\n"


def evidence_of(
    folder: Path, raw: str | dict[str, str | bytes], *, control: str = "", angle: str = "deg"
) -> RawEvidence:
    """Return the evidence of a small job in metres."""
    folder.mkdir(parents=True, exist_ok=True)
    if control:
        (folder / "control.csv").write_text(control, encoding="utf-8")
    job = make_job(folder, raw if isinstance(raw, dict) else {"a.csv": raw}, angle=angle)
    known = read_control(job.control_file, job) if job.control_file else None
    return RawEvidence(read_fieldbook(job), known, job.precision, job.refraction, job.angle_unit)


def values(measured: Measured, unit: float = 1.0) -> dict[str, float]:
    """Return the values by subject, the last one where a subject has several."""
    return dict(zip(measured.subject, (measured.value / unit).tolist(), strict=True))


WIDE = "setup,station,instrument_height,point,direction,zenith,distance,target_height"


def test_groups_by_hand() -> None:
    """Largest and median of each group, NaN where a group has nothing."""
    value, group_ = np.array([3.0, 1.0, np.nan, 8.0, 5.0, 2.0]), np.array([0, 0, 0, 2, 0, 2])
    assert np.array_equal(group_extreme(value, group_, 3), [5.0, np.nan, 8.0], equal_nan=True)
    assert np.array_equal(group_median(value, group_, 3), [3.0, np.nan, 5.0], equal_nan=True)


def test_rows_of_files(tmp_path: Path) -> None:
    """Unreadable, repeated and cut rows are counted in the file they stand in."""
    head = "setup,point,direction,zenith,distance\n"
    good = "S1,P{0},{0},90,10\n"
    raw: dict[str, str | bytes] = {
        "a.csv": head + "".join(map(good.format, (1, 2, 3, 2, 4))) + "S1,P5,x,90,10\n"
        + good.format(6),
        "b.csv": head + "".join(map(good.format, (11, 12, 13, 14))) + "S1,P15,9",
    }  # fmt: skip
    evidence = evidence_of(tmp_path, raw)
    assert values(MEASURES["unreadable_rows"](evidence)) == {"raw/a.csv": 1, "raw/b.csv": 1}
    assert values(MEASURES["repeated_rows"](evidence)) == {"raw/a.csv": 1, "raw/b.csv": 0}
    assert values(MEASURES["truncated_end"](evidence)) == {"raw/a.csv": 0, "raw/b.csv": 1}


def test_rows_that_a_file_marks_itself(tmp_path: Path) -> None:
    """LandXML can mark rows as unused."""
    job = xml_job(tmp_path, landxml(SETUP + group(shot("P1") + shot("P2", 'unused="true"'))))
    evidence = RawEvidence(read_fieldbook(job), None, job.precision, 0.13, "deg")
    assert values(MEASURES["marked_rows"](evidence)) == {"raw/a.xml": 1}


def test_clocks_that_run_back(tmp_path: Path) -> None:
    """Steps back within one setup count; the step to another setup and a second of rounding do not.

    Rows without a time say nothing.
    """
    rows = [("S1", "10:00:00"), ("S1", "10:00:30"), ("S1", "10:00:29.5"), ("S1", "09:59:00"),
            ("S2", "08:00:00"), ("S2", "08:00:10"), ("S3", "")]  # fmt: skip
    text = "setup,point,distance,time\n" + "".join(
        f"{setup},P{n},{n}.5,{'2026-03-03T' + clock if clock else ''}\n"
        for n, (setup, clock) in enumerate(rows, 1)
    )
    measured = MEASURES["steps_back"](evidence_of(tmp_path, text))
    assert values(measured) == {"S1": 1, "S2": 0}
    assert measured.missing == ("S3",)


def test_distances_against_control(tmp_path: Path) -> None:
    """From an occupied mark, and between two marks from a free station by the law of cosines."""
    text = (
        f"{WIDE}\n"
        "A,CP1,1.5,CP2,0,90,100.02,1.5\n"  # 100 m away: 200 ppm long
        "A,CP1,1.5,P9,10,90,33,1.5\n"
        # from (100, 100): CP2 due west, CP3 due south, in feet as if they were metres
        "F,,,CP2,270,90,328.0839895,1.5\n"
        "F,,,CP3,180,90,328.0839895,1.5\n"
    )
    measured = MEASURES["distance_ratio"](evidence_of(tmp_path, text, control=CONTROL))
    found = values(measured)
    assert found["A to CP2"] == pytest.approx(0.0002, abs=1e-9)
    assert found["F to CP2-CP3"] == pytest.approx(1 / 0.3048 - 1, abs=1e-6)
    assert dict(zip(measured.subject, measured.distance, strict=True)) == {
        "A to CP2": 100.0,
        "F to CP2-CP3": pytest.approx(100 * np.sqrt(2)),
    }
    without = MEASURES["distance_ratio"](evidence_of(tmp_path / "free", text))
    assert without.reason == "no distance between known marks was measured"


def test_packed_digits(tmp_path: Path) -> None:
    """Packed angles all look like minutes and seconds; decimal degrees seldom do."""
    rng = np.random.default_rng(3)
    seconds = rng.integers(0, 1_296_000, 60)
    packed = [f"{s // 3600}.{s // 60 % 60:02d}{s % 60:02d}" for s in seconds.tolist()]
    decimal = [f"{s / 3600:.6f}" for s in seconds.tolist()]
    head = "setup,point,direction,zenith\n"
    shares = []
    for number, angles in enumerate((packed, decimal)):
        text = head + "".join(f"S,P{n},{angle},90\n" for n, angle in enumerate(angles))
        shares += MEASURES["packed_digits"](
            evidence_of(tmp_path / str(number), text)
        ).value.tolist()
    assert shares[0] == 1.0
    assert shares[1] == pytest.approx(0.36, abs=0.2)  # 60 angles: sd 0.06
    few = head + "".join(f"S,P{n},{angle},90\n" for n, angle in enumerate(packed[:5]))
    assert "fewer than 10" in MEASURES["packed_digits"](evidence_of(tmp_path / "f", few)).reason
    gon = MEASURES["packed_digits"](evidence_of(tmp_path / "g", few, angle="gon"))
    assert gon.reason == "angles are not stated in decimal degrees"


def test_zenith_angles_in_the_middle(tmp_path: Path) -> None:
    """The median of both faces against level, in degrees; elevation angles show at once."""
    text = (
        "setup,point,zenith\nS1,P1,88\nS1,P2,271\nS1,P3,95\n"  # level less 2, 1, -5
        "S2,P1,2\nS2,P2,359\nS2,P3,1\n"
    )
    measured = MEASURES["zenith_median"](evidence_of(tmp_path, text))
    assert values(measured, np.pi / 180) == {"S1": pytest.approx(-1), "S2": pytest.approx(-89)}


FACES = (
    "setup,point,direction,zenith,distance,face\n"
    # 2c = +10 and +30 seconds, 2i = +20 and -6 seconds, face 2 distances 4 and -2 mm longer
    "S1,CP1,10-00-00,90-00-00,50.000,1\nS1,CP1,190-00-10,270-00-20,50.004,2\n"
    "S1,CP2,70-00-00,90-00-00,80.000,1\nS1,CP2,250-00-30,269-59-54,79.998,2\n"
    "S1,P3,75-00-00,90-00-00,80.000,2\n"
    "S2,P4,75-00-00,90-00-00,80.000,1\nS2,CP3,76-00-00,90-00-00,80.000,1\n"
)


def test_two_faces(tmp_path: Path) -> None:
    """ISO 17123-3: reverse - direct = 180 + 2c, sum of zenith angles = 360 + 2i."""
    evidence = evidence_of(tmp_path, FACES, control=CONTROL, angle="dms")

    def value(name: str, unit: float = SECOND) -> dict[str, float]:
        return values(MEASURES[name](evidence), unit)

    assert value("collimation") == {"S1": pytest.approx(10.0, abs=1e-6)}  # seconds
    assert value("vertical_index") == {"S1": pytest.approx(3.5, abs=1e-6)}
    assert value("collimation_spread") == {"S1": pytest.approx(20.0, abs=1e-6)}
    assert value("index_spread") == {"S1": pytest.approx(26.0, abs=1e-6)}
    assert value("face_distance", MM) == {
        "S1 to CP1": pytest.approx(4.0, abs=1e-6),
        "S1 to CP2": pytest.approx(-2.0, abs=1e-6),
    }
    assert value("control_face_pairs", 1.0) == {"S1 to CP1": 1, "S1 to CP2": 1, "S2 to CP3": 0}
    assert value("control_pointings", 1.0) == {"S1 to CP1": 2, "S1 to CP2": 2, "S2 to CP3": 1}
    assert value("face_conflicts", 1.0) == {"S1": 1, "S2": 0}
    assert MEASURES["collimation_spread"](evidence).distance.tolist() == [pytest.approx(50.002)]
    assert MEASURES["collimation"](evidence).missing == ("S2",)


def test_a_wide_limit_at_short_range_hides_no_spread_farther_off(tmp_path: Path) -> None:
    """2c of 0 and 60 seconds at 5 m are 1.5 mm; of 20 and 45 seconds at 100 m they are 12 mm.

    The largest less the smallest, at its 5 m, would pass a limit of 10 seconds or 2 mm.
    """
    raw = "setup,point,direction,zenith,distance,face\n"
    marks = (("A", 5.0, 0.0), ("B", 5.0, 60.0), ("C", 100.0, 20.0), ("D", 100.0, 45.0))
    for number, (name, distance, two_c) in enumerate(marks):
        first = 20.0 * number
        raw += f"S1,{name},{first:.8f},90,{distance},1\n"
        raw += f"S1,{name},{first + 180.0 + two_c / 3600.0:.8f},270,{distance},2\n"
    evidence = evidence_of(tmp_path, raw)
    rule = next(r for r in raw_data_rules().rules if r.measures == "collimation_spread")
    result = check_rule(rule, MEASURES["collimation_spread"](evidence))
    assert (result.state, result.failing) == ("fail", ("S1",))
    assert result.value == pytest.approx(25.0 * SECOND, rel=1e-4)


def test_the_rules_of_a_site_and_an_audit_measure_raw_rows_alike(tmp_path: Path) -> None:
    """One name is one function; a difference of faces comes with its distance, or is missing."""
    for name, quantity in QUANTITIES.items():
        assert MEASURES[name] is quantity
        assert SITE_MEASURES[name] is quantity
    shared = MEASURES.keys() & SITE_MEASURES.keys()
    assert shared == QUANTITIES.keys()
    evidence = evidence_of(tmp_path, FACES, control=CONTROL, angle="dms")
    measured = MEASURES["face_distance"](evidence)
    assert measured.distance.tolist() == [pytest.approx(50.002), pytest.approx(79.999)]
    assert measured.missing == ("S2",)  # it has no face pair: that is no pass


def test_a_set_pairs_its_faces_in_the_usual_order(tmp_path: Path) -> None:
    """All marks in face 1, then backwards in face 2: the same pairs as mark by mark."""
    head, *rows = FACES.splitlines()
    by_set = [rows[i] for i in (0, 2, 3, 1, 4, 5, 6)]
    evidence = evidence_of(
        tmp_path, "\n".join([head, *by_set]) + "\n", control=CONTROL, angle="dms"
    )
    assert evidence.face_pairs.direct.tolist() == [0, 1]
    assert evidence.face_pairs.reverse.tolist() == [3, 2]
    found = values(MEASURES["control_face_pairs"](evidence))
    assert found == {"S1 to CP1": 1, "S1 to CP2": 1, "S2 to CP3": 0}
    assert values(MEASURES["collimation"](evidence), SECOND) == {
        "S1": pytest.approx(10.0, abs=1e-6)  # seconds
    }


def test_scatter_of_pointings(tmp_path: Path) -> None:
    """The largest departure from the mean of a sight, in one face: 0, 6, 12 are 6 from 6."""
    rows = [("10-00-00", "90-00-00", "50.000"), ("10-00-06", "90-00-03", "50.003"),
            ("10-00-12", "90-00-00", "50.000")]  # fmt: skip
    text = "setup,point,direction,zenith,distance\n" + "".join(
        f"S1,P1,{d},{z},{s}\n" for d, z, s in rows
    )
    evidence = evidence_of(tmp_path, text + "S1,P2,1-00-00,90-00-00,9\n", angle="dms")
    expected = {"direction_scatter": (6.0, SECOND), "zenith_scatter": (2.0, SECOND),
                "distance_scatter": (2.0, MM)}  # fmt: skip
    for name, (size, unit) in expected.items():
        assert values(MEASURES[name](evidence), unit) == {"S1 to P1": pytest.approx(size, abs=1e-6)}


def test_heights_of_instrument_and_target(tmp_path: Path) -> None:
    """Booked heights, one kept from the setup before, one changed at a point, one missing."""
    text = (
        f"{WIDE}\n"
        "A,CP1,1.523,P1,0,90,10,1.500\nA,CP1,1.523,P1,0,90,10,1.600\nA,CP1,1.523,P2,5,90,10,2.4\n"
        "B,CP2,1.523,P1,0,90,10,1.500\nB,CP2,1.523,P1,0,90,10.001,1.500\n"
        "C,CP3,,P1,0,90,10,1.500\n"
        "F,,,P1,0,90,10,1.500\n"
    )
    evidence = evidence_of(tmp_path, text, control=CONTROL)
    height = MEASURES["instrument_height"](evidence)
    assert (values(height), height.missing) == ({"A": 1.523, "B": 1.523}, ("C",))
    assert values(MEASURES["instrument_height_kept"](evidence)) == {"B": 1, "C": 0}
    assert values(MEASURES["target_height"](evidence)) == {"A": 2.4, "B": 1.5, "C": 1.5, "F": 1.5}
    changed = values(MEASURES["target_height_changed"](evidence), MM)
    assert changed == {"A to P1": pytest.approx(100.0), "B to P1": 0.0}


def test_typed_elevations(tmp_path: Path) -> None:
    """A stored elevation that its reading does not give stands out by the difference.

    From a station at 100 + 1.5 m: rise = s cos z - ht; the third shot is stored 0.25 m high.
    Curvature and refraction at 40 m are 0.1 mm.
    """
    text = f"{WIDE},field_elevation\n"
    for n, (zenith, extra) in enumerate([(88, 0), (89, 0), (90, 0.25), (91, 0), (92, 0)], 1):
        stored = 101.5 + 40 * np.cos(np.radians(zenith)) - 1.4 + extra
        text += f"A,,,P{n},{n},{zenith},40,1.4,{stored:.4f}\n"
    text += "B,,,P1,1,90,40,1.4,77\n"
    measured = MEASURES["typed_elevation"](evidence_of(tmp_path, text))
    found = values(measured, MM)
    assert found.pop("A to P3") == pytest.approx(250.0, abs=0.2)
    assert max(map(abs, found.values())) < 0.2  # mm
    assert measured.missing == ("B",)


CLOSING = (
    "setup,point,direction,zenith,distance,role\n"
    "S1,CP1,0-00-00,90-00-00,100,backsight\nS1,P1,10-00-00,90-00-00,120,side\n"
    "S1,P2,11-00-00,90-00-00,30,side\nS1,CP1,0-00-15,89-59-40,100.006,backsight\n"
    "S2,CP1,5-00-00,90-00-00,50,backsight\nS2,P3,6-00-00,90-00-00,20,side\n"
)


def test_closing_looks(tmp_path: Path) -> None:
    """Closing minus opening: 15 seconds, 6 mm, and 20 seconds at 100 m up (9.7 mm)."""
    evidence = evidence_of(tmp_path, CLOSING, control=CONTROL, angle="dms")
    assert values(MEASURES["closing_looks"](evidence)) == {"S1": 1, "S2": 0}
    expected = {"closing_direction": (15.0, SECOND, 1e-6), "closing_distance": (6.0, MM, 1e-6),
                "closing_height": (9.7, MM, 0.05)}  # fmt: skip
    for name, (size, unit, tolerance) in expected.items():
        measured = MEASURES[name](evidence)
        assert values(measured, unit) == {"S1 to CP1": pytest.approx(size, abs=tolerance)}
        assert (measured.missing, measured.reason) == (
            ("S2",), "no closing look at its backsight",
        )  # fmt: skip


def test_marks_in_common_and_reach(tmp_path: Path) -> None:
    """A mark counts where control or another setup knows it, the one under the instrument too."""
    evidence = evidence_of(tmp_path, CLOSING, control=CONTROL, angle="dms")
    assert values(MEASURES["marks_in_sight"](evidence)) == {"S1": 1, "S2": 1}
    assert values(MEASURES["reach"](evidence)) == {
        "S1": pytest.approx(120 / 100.003, abs=1e-4), "S2": pytest.approx(20 / 50),
    }  # fmt: skip
    assert values(MEASURES["sight_length"](evidence)) == {"S1": 120.0, "S2": 50.0}
    text = f"{WIDE}\nA,CP1,1.5,T1,0,90,10,1\nA,CP1,1.5,P1,0,90,10,1\nB,T1,1.5,CP1,0,90,10,1\n"
    assert values(MEASURES["marks_in_sight"](evidence_of(tmp_path / "b", text))) == {"A": 2, "B": 2}
    alone = MEASURES["marks_in_sight"](evidence_of(tmp_path / "c", f"{WIDE}\nA,,,P1,0,90,10,1\n"))
    assert alone.reason == "there is one setup only, and no control"
