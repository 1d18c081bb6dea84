"""LandXML survey data: setups, targets, angles and fates, as the open standard writes them.

The standard is LandXML-1.2 (landxml.org); where real files differ from its schema the test
says so.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.read.jobs import labels_of
from tests.read.landxml_files import METRIC, SETUP, group, landxml, read_xml_raw, shot
from tieup.errors import InputError
from tieup.model.fieldbook import Fieldbook
from tieup.read.landxml_units import settle_sixty

BACKSIGHT = '<Backsight circle="0"><BacksightPoint pntRef="CP2"/></Backsight>'
ARC_SECOND = np.pi / 648_000


def points_of(book: Fieldbook) -> list[str]:
    """Return the point name of each shot."""
    return [book.points[i] for i in book.shots.point]


LINKS = [
    # survey, why
    (SETUP + group(shot("P1"), 'setupID="i1"'), "setupID at the group"),
    (SETUP + group(shot("P1", 'setupID="i1"'), ""), "setupID at the observation"),
    (SETUP + group(BACKSIGHT.replace('"0"', '"0" setupID="i1"') + shot("P1"), ""),
     "setupID at the Backsight only"),
    (SETUP.replace("</I", shot("P1") + "</I"), "nested in the setup"),
    (SETUP.replace("</I", group(shot("P1"), "") + "</I"), "nested in a group in the setup"),
    (SETUP.replace("</I", "<ControlChecks>" + shot("P1", kind="TestObservation")
     + "</ControlChecks></I"), "a check shot"),
]  # fmt: skip


@pytest.mark.parametrize(("survey", "why"), LINKS, ids=[why for _, why in LINKS])
def test_the_setup_link_has_four_forms(tmp_path: Path, survey: str, why: str) -> None:
    """However an observation is linked to its setup, it is the same shot from the same mark."""
    book = read_xml_raw(tmp_path, landxml(survey))
    (setup,) = book.setups
    assert (setup.label, setup.station, setup.instrument_height) == ("100", "CP1", 1.5), why
    assert points_of(book) == ["P1"]
    assert np.degrees(book.shots.direction[0]) == pytest.approx(30.0, abs=1e-12)
    assert (book.shots.distance[0], book.invalid, book.unused) == (10.0, (), ())


def test_the_nearest_link_counts(tmp_path: Path) -> None:
    """A setup named at the observation goes before that of the group."""
    other = SETUP.replace('"i1"', '"i2"').replace('"100"', '"200"').replace("CP1", "CP9")
    survey = SETUP + other + group(shot("P1") + shot("P2", 'setupID="i2"'))
    assert labels_of(read_xml_raw(tmp_path, landxml(survey))) == ["100", "200"]


@pytest.mark.parametrize("version", ["1.1", "1.2", "2.0"])
def test_versions_differ_in_their_namespace_only(tmp_path: Path, version: str) -> None:
    """Elements are known by their local names, with a prefix or without."""
    text = landxml(SETUP + group(shot("P1")), version=version)
    assert len(read_xml_raw(tmp_path, text).shots) == 1
    prefixed = text.replace("<", "<lx:").replace("<lx:/", "</lx:").replace("<lx:?xml", "<?xml")
    prefixed = prefixed.replace("xmlns=", "xmlns:lx=")
    assert len(read_xml_raw(tmp_path, prefixed).shots) == 1


ANGLES = [
    # angularUnit, text, arc seconds, why
    ("decimal dd.mm.ss", "45.3025", 163825.0, "the standard's own notation"),
    ("decimal dd.mm.ss", "90.1", 324600.0, "zeros at the end dropped: 90 deg 10'"),
    ("decimal dd.mm.ss", "0.004", 40.0, "0 deg 00' 40\""),
    ("decimal dd.mm.ss", "-359.5958", 2.0, "negative: clockwise past the zero"),
    ("decimal dd.mm.ss", "45.3060", 163860.0, "60 seconds, which the standard allows"),
    ("decimal degrees", "-0.5", 1294200.0, "negative degrees"),
    ("grads", "50", 162000.0, "gon"),
    ("radians", "0.5", 0.5 / ARC_SECOND, "radians"),
]


@pytest.mark.parametrize(("unit", "text", "seconds", "why"), ANGLES)
def test_angles_are_read_as_text_in_the_unit_of_the_file(
    tmp_path: Path, unit: str, text: str, seconds: float, why: str
) -> None:
    """The file states its own units, whatever the job's are; 1e-6 arc seconds."""
    units = METRIC.replace('angularUnit="decimal degrees"', f'angularUnit="{unit}"')
    survey = SETUP + group(shot("P1", f'horizAngle="{text}" slopeDistance="10"'))
    book = read_xml_raw(tmp_path, landxml(survey, units=units))
    assert book.shots.direction[0] / ARC_SECOND == pytest.approx(seconds, abs=1e-6), why


def test_sixty_is_carried_and_no_more_than_sixty() -> None:
    """Seconds and minutes of 60 go into the next unit; 61 stays and is refused by the parser."""
    cases = {"45.5960": "46.00", "-10.60": "-11.00", "12.3061": "12.3061", "60.0": "60.0"}
    assert {text: settle_sixty(text) for text in cases} == cases
    assert settle_sixty("12.6060") == "12.6060"


def test_azimuths_have_the_unit_of_directions(tmp_path: Path) -> None:
    """An azimuth is in directionUnit, and no circle reading."""
    units = METRIC.replace('directionUnit="decimal degrees"', 'directionUnit="grads"')
    azimuth = 'azimuth="100" slopeDistance="10" zenithAngle="90"'
    survey = SETUP + group(shot("P1") + shot("P2", azimuth))
    book = read_xml_raw(tmp_path, landxml(survey, units=units))
    assert np.degrees(book.shots.direction) == pytest.approx([30.0, 90.0], abs=1e-9)
    assert book.shots.azimuth.tolist() == [False, True]
    assert labels_of(book) == ["100", "100"]


def test_azimuths_of_a_file_may_have_a_basis_of_bearings(tmp_path: Path) -> None:
    """Under azimuths: file and job they stay azimuths, of one basis; circle readings have none."""
    azimuth = 'azimuth="90" slopeDistance="10" zenithAngle="90"'
    survey = SETUP + group(shot("P1") + shot("P2", azimuth))
    for number, word in enumerate(("file", "job", "grid")):
        folder = tmp_path / str(number)
        folder.mkdir()
        shots = read_xml_raw(folder, landxml(survey), more=f"azimuths: {word}\n").shots
        assert shots.azimuth.tolist() == [False, True]
        assert shots.basis.tolist() == [-1, -1 if word == "grid" else 0]


def test_azimuths_that_turn_setup_by_setup_have_another_zero(tmp_path: Path) -> None:
    """Under azimuths: setup they are circle readings of a setup of their own, same mark."""
    azimuth = 'azimuth="90" slopeDistance="10" zenithAngle="90"'
    survey = SETUP + group(shot("P1") + shot("P2", azimuth))
    book = read_xml_raw(tmp_path, landxml(survey), more="azimuths: setup\n")
    assert not book.shots.azimuth.any()
    assert labels_of(book) == ["100", "100~2"]
    assert [setup.station for setup in book.setups] == ["CP1", "CP1"]


def test_absent_angular_units_are_radians(tmp_path: Path) -> None:
    """The standard's default; degrees without a unit are seen and named, not read as radians."""
    units = METRIC.replace('angularUnit="decimal degrees"', "")
    survey = SETUP + group(shot("P1", 'horizAngle="1.5" zenithAngle="1.6" slopeDistance="9"'))
    assert read_xml_raw(tmp_path, landxml(survey, units=units)).shots.zenith[0] == 1.6
    shots = "".join(shot(f"P{n}", f'horizAngle="{n}0" zenithAngle="90.5"') for n in range(1, 9))
    with pytest.raises(InputError, match="set angularUnit in a copy of the file"):
        read_xml_raw(tmp_path, landxml(SETUP + group(shots), units=units))


LENGTHS = [("millimeter", 0.001), ("centimeter", 0.01), ("kilometer", 1000.0), ("foot", 0.3048),
           ("USSurveyFoot", 1200 / 3937), ("inch", 0.0254), ("mile", 1609.344)]  # fmt: skip


@pytest.mark.parametrize(("unit", "metres"), LENGTHS)
def test_lengths_are_in_the_unit_of_the_file(tmp_path: Path, unit: str, metres: float) -> None:
    """Units as ISO 80000-3 and the yard and pound agreement of 1959 define them."""
    text = landxml(SETUP + group(shot("P1")), units=METRIC.replace('"meter"', f'"{unit}"'))
    book = read_xml_raw(tmp_path, text)
    assert book.shots.distance[0] == pytest.approx(10 * metres, rel=1e-15)
    assert book.setups[0].instrument_height == pytest.approx(1.5 * metres, rel=1e-15)


def test_a_unit_that_the_standard_does_not_have_is_an_error(tmp_path: Path) -> None:
    """The message names the line and what there is."""
    text = landxml(SETUP + group(shot("P1")), units=METRIC.replace('"meter"', '"yard"'))
    with pytest.raises(InputError, match=r"raw/a\.xml:3: linearUnit is yard\. LandXML has"):
        read_xml_raw(tmp_path, text)


FATES = [
    (shot("P2", 'unused="true"'), "marked unused in the file"),
    (shot("P2", 'unused="1"'), "marked unused in the file"),
    (shot("P2", 'status="deleted"'), "marked deleted in the file"),
    (shot("P2", "", '<OffsetVals offsetLeftRight="0.3"/>'), "offsetLeftRight 0.3"),
]


@pytest.mark.parametrize(("row", "reason"), FATES)
def test_rows_out_of_use_stay_as_such(tmp_path: Path, row: str, reason: str) -> None:
    """They are counted with their reason and kinds, and no shot is made of them."""
    text = landxml(SETUP + group(shot("P1") + row + shot("P3", 'unused="false"')))
    book = read_xml_raw(tmp_path, text)
    (apart,) = book.unused
    assert points_of(book) == ["P1", "P3"]
    assert reason in apart.reason
    assert (apart.setup, apart.point, apart.kinds) == (
        "100", "P2", ("direction", "zenith", "distance"),
    )  # fmt: skip
    assert book.files[0].rows == 3 == len(book.shots) + len(book.unused) + len(book.invalid)


def test_a_deleted_setup_takes_its_rows_along(tmp_path: Path) -> None:
    """status="deleted" at the InstrumentSetup holds for every row of it."""
    dead = SETUP.replace('"i1"', '"i2" status="deleted"').replace('"100"', '"200"')
    survey = SETUP + dead + group(shot("P1")) + group(shot("P2"), 'setupID="i2"', name="g2")
    book = read_xml_raw(tmp_path, landxml(survey))
    assert [row.reason for row in book.unused] == ["its setup is marked deleted in the file"]
    assert [setup.label for setup in book.setups] == ["100"]


def test_a_zero_offset_is_no_offset(tmp_path: Path) -> None:
    """Offsets of 0 leave the row in use."""
    offsets = '<OffsetVals offsetInOut="0.000" offsetUpDown="-0.0"/>'
    assert len(read_xml_raw(tmp_path, landxml(SETUP + group(shot("P1", "", offsets)))).shots) == 1


def test_unreadable_rows_are_invalid_with_the_line(tmp_path: Path) -> None:
    """61 minutes, a missing target: the row and its reason, the others read."""
    bad = shot("P2", 'horizAngle="12x" slopeDistance="10"')
    nameless = '<RawObservation horizAngle="1" slopeDistance="2"><TargetPoint/></RawObservation>'
    rows = [shot("P1"), bad, nameless, shot("P3"), shot("P4"), shot("P5")]
    book = read_xml_raw(tmp_path, landxml(SETUP + "\n" + group("\n".join(rows))))
    assert [(row.line, row.reason) for row in book.invalid] == [
        (8, "direction 12x is not a number"),
        (9, "point is empty"),
    ]
    assert book.shots.line.tolist() == [7, 10, 11, 12]


def test_reduced_observations_stand_in_where_there_is_no_raw_one(tmp_path: Path) -> None:
    """A reduced observation beside a raw one of the same setup and point would count twice."""
    reduced = (
        '<ReducedObservation setupID="i1" horizAngle="40" horizDistance="30" vertDistance="40">'
        '<TargetPoint pntRef="{}"/></ReducedObservation>'
    )
    survey = SETUP + group(shot("P1") + reduced.format("P1") + reduced.format("P2"))
    book = read_xml_raw(tmp_path, landxml(survey))
    assert points_of(book) == ["P1", "P2"]
    assert "reduced from raw observations" in book.unused[0].reason
    assert book.shots.distance[1] == pytest.approx(50.0, abs=1e-12)  # 3-4-5 triangle
    assert np.tan(book.shots.zenith[1]) == pytest.approx(0.75, abs=1e-12)


def test_a_reduced_observation_may_aim_at_another_setup(tmp_path: Path) -> None:
    """Cadastral files name the setup over the target instead of a TargetPoint."""
    other = SETUP.replace('"i1"', '"i2"').replace('"100"', '"200"').replace("CP1", "CP9")
    row = (
        '<ReducedObservation setupID="i1" targetSetupID="i2" azimuth="45" horizDistance="20" '
        'zenithAngle="90"/>'
    )
    book = read_xml_raw(tmp_path, landxml(SETUP + other + group(row, "")))
    assert points_of(book) == ["CP9"]


def test_a_plan_only_row_is_a_sight_in_plan(tmp_path: Path) -> None:
    """A horizontal distance with nothing vertical stays one, with an azimuth or alone."""
    row = '<ReducedObservation setupID="i1" {}><TargetPoint pntRef="{}"/></ReducedObservation>'
    rows = [
        shot("P1"),
        row.format('azimuth="45" horizDistance="20"', "P2"),
        row.format('horizDistance="30"', "P3"),
    ]
    book = read_xml_raw(tmp_path, landxml(SETUP + group("\n".join(rows))))
    shots = book.shots
    assert points_of(book) == ["P1", "P2", "P3"]
    assert np.degrees(shots.direction[1]) == pytest.approx(45.0, abs=1e-12)
    assert shots.azimuth.tolist() == [False, True, False]
    assert shots.level.tolist() == [False, True, True]
    assert shots.distance[1:].tolist() == [20.0, 30.0] and np.isnan(shots.zenith[1:]).all()
    assert not book.invalid and not book.unused


def test_an_arc_is_read_as_its_chord(tmp_path: Path) -> None:
    """A quarter of a circle of radius 10 has a chord of 10 root 2; what is no arc is said."""
    arc = (
        '<ReducedArcObservation setupID="i1" chordAzimuth="{}" radius="{}" length="{}" rot="cw">'
        '<TargetPoint pntRef="{}"/></ReducedArcObservation>'
    )
    rows = [arc.format(45, 10, repr(5 * np.pi), "P1"), arc.format(45, 0, 5, "P2")]
    book = read_xml_raw(tmp_path, landxml(SETUP + group("".join(rows))))
    assert book.shots.distance.tolist() == pytest.approx([10 * 2**0.5], abs=1e-9)
    assert book.shots.azimuth.tolist() == book.shots.level.tolist() == [True]
    assert book.unused[0].reason == "radius 0 and length 5 are no arc"


def test_target_heights_come_from_the_nearest_place(tmp_path: Path) -> None:
    """At the observation, else at its TargetSetup, else at the Backsight of that point, else 0."""
    survey = (
        SETUP
        + '<TargetSetup id="t1" targetHeight="1.8" prismConstant="-30"/>'
        + group(
            '<Backsight circle="0" targetHeight="1.3"><BacksightPoint pntRef="CP2"/></Backsight>'
            + shot("P1", 'targetHeight="2.1" targetSetupID="t1"')
            + shot("P2", 'targetSetupID="t1"')
            + shot("CP2")
            + shot("P4")
        )
    )
    book = read_xml_raw(tmp_path, landxml(survey))
    assert book.shots.target_height.tolist() == [2.1, 1.8, 1.3, 0.0]
    assert book.shots.role.tolist() == ["", "", "backsight", ""]
    assert book.shots.target.tolist() == ["constant -30", "constant -30", "", ""]
    assert np.isnan(book.shots.prism_constant).all()
    assert "TargetSetup prismConstant, not applied: job.yaml decides (1)" in book.unknown_columns


def test_another_backsight_is_another_circle_zero(tmp_path: Path) -> None:
    """A circle set anew makes a setup of its own over the same mark; the same one goes on."""
    again = BACKSIGHT.replace('"0"', '"0.000"')
    turned = BACKSIGHT.replace('"0"', '"45.25"')
    survey = SETUP + "".join(
        group(inside + shot(point), name=f"g{point}")
        for inside, point in (("", "P0"), (BACKSIGHT, "P1"), (again, "P2"), (turned, "P3"),
                              ("", "P4"))
    )  # fmt: skip
    book = read_xml_raw(tmp_path, landxml(survey))
    assert labels_of(book) == ["100", "100", "100", "100~2", "100~2"]
    assert {setup.station for setup in book.setups} == {"CP1"}


def test_setups_that_share_a_station_name_are_called_by_their_ids(tmp_path: Path) -> None:
    """A mark occupied twice is two setups, whatever their heights."""
    survey = SETUP + SETUP.replace('"i1"', '"i2"')
    survey += group(shot("P1")) + group(shot("P2"), 'setupID="i2"', name="g2")
    assert labels_of(read_xml_raw(tmp_path, landxml(survey))) == ["i1", "i2"]


def test_faces_and_rounds(tmp_path: Path) -> None:
    """directFace says the face, else the zenith angle; sets are rounds in their order."""
    reverse = 'horizAngle="210" zenithAngle="270" slopeDistance="10"'
    survey = SETUP + group(
        shot("P1", 'directFace="true" setID="A"')
        + shot("P1", f'{reverse} directFace="false" setID="A"')
        + shot("P1", f'{reverse} setID="B"')
        + shot("P1", 'horizAngle="210" directFace="0" setID="B"')
        + shot("P1")
    )
    shots = read_xml_raw(tmp_path, landxml(survey)).shots
    assert shots.face.tolist() == [1, 2, 2, 2, 1]
    assert shots.round.tolist() == [1, 1, 2, 2, 1]


def test_what_the_file_stores_of_a_point_comes_along(tmp_path: Path) -> None:
    """Coordinates of side shots are field results, those of control marks are not; codes too."""
    points = (
        '<CgPoint name="CP2" pntSurv="control" desc="cap">10 20 30</CgPoint>'
        '<CgPoint name="P1" pntSurv="sideshot" desc="kerb">1 2 3</CgPoint>'
        '<CgPoint name="P2" code="EP" desc="edge">4 5</CgPoint>'
    )
    survey = SETUP + group(shot("CP2") + shot("P1") + shot("P2"))
    shots = read_xml_raw(tmp_path, landxml(survey, points=points)).shots
    assert shots.code.tolist() == ["cap", "kerb", "EP"]
    assert np.array_equal(
        shots.field_coordinates,
        [[np.nan] * 3, [1.0, 2.0, 3.0], [4.0, 5.0, np.nan]],
        equal_nan=True,
    )


def test_what_is_not_read_is_reported(tmp_path: Path) -> None:
    """Stadia hairs, satellite vectors and stated precision are named with their number."""
    gear = (
        '<Equipment><InstrumentDetails id="TS1" edmAccuracyppm="2"><Corrections/>'
        "</InstrumentDetails></Equipment>"
    )
    vector = '<GPSVector dX="1" dY="2" dZ="3" setupID_A="i1" setupID_B="i1"/>'
    rows = shot("P1", 'upperStadia="1.2"') + shot("P2", 'upperStadia="1.3"')
    book = read_xml_raw(tmp_path, landxml(gear + SETUP + vector + group(rows)))
    assert set(book.unknown_columns) == {
        "GPSVector (1)",
        "InstrumentDetails edmAccuracyppm, not applied: job.yaml decides (1)",
        "RawObservation upperStadia (2)",
    }


def test_the_instrument_is_that_of_the_job_where_it_has_one_of_that_name(tmp_path: Path) -> None:
    """An id that job.yaml does not know is a label of the file, not an instrument."""
    gear = '<Equipment><InstrumentDetails id="TS1"><Corrections/></InstrumentDetails></Equipment>'
    text = landxml(gear + SETUP + group(shot("P1")))
    assert read_xml_raw(tmp_path / "a", text).setups[0].instrument == "default"
    more = "instruments: {TS1: {direction: 5}}"
    assert read_xml_raw(tmp_path / "b", text, more=more).setups[0].instrument == "TS1"


def test_a_link_to_no_setup_is_a_free_station_and_no_link_is_invalid(tmp_path: Path) -> None:
    """What can be understood is read; a row that belongs nowhere is invalid."""
    survey = SETUP + group(shot("P1") + shot("P2")) + group(shot("P3"), 'setupID="i7"', name="g2")
    survey += group(shot("P4"), "", name="g3")
    book = read_xml_raw(tmp_path, landxml(survey))
    assert [(setup.label, setup.station) for setup in book.setups] == [("100", "CP1"), ("i7", "")]
    assert [row.reason for row in book.invalid] == ["setup is empty"]


EMPTY = [
    ("<Survey/>", r"a\.xml: is XML of another kind \(Survey\), not LandXML"),
    (landxml(SETUP), r"a\.xml: has no observations"),
    (landxml(SETUP + group(shot("P1")))[:-30], r"a\.xml:\d+: is not well-formed XML"),
    ("", r"a\.xml:1: is not well-formed XML"),
]


@pytest.mark.parametrize(("text", "message"), EMPTY)
def test_files_without_survey_data_are_named_as_such(
    tmp_path: Path, text: str, message: str
) -> None:
    """Another kind of XML, a survey without rows, a file that breaks off."""
    with pytest.raises(InputError, match=message):
        read_xml_raw(tmp_path, text)


def test_other_encodings_are_read(tmp_path: Path) -> None:
    """A file says its encoding itself: UTF-16 and windows-1252 as well as UTF-8."""
    text = landxml(SETUP + group(shot("Straße")))
    for encoding in ("utf-16", "windows-1252", "utf-8"):
        content = text.replace('"1.0"?', f'"1.0" encoding="{encoding}"?').encode(encoding)
        assert read_xml_raw(tmp_path, content).points == ("Straße",)
