"""What leaves for the next program: the ground, proved or said to be unproved, no instrument."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.write.exchange_site import content_of, row
from tests.write.sample import make_site, table
from tieup import cli
from tieup.errors import OutputError
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import COORDINATES, SETUPS, STRINGS
from tieup.write.exchange.content import SiteContent
from tieup.write.exchange.dxf import dxf_text
from tieup.write.exchange.export_selection import PROOFS, ROLES, Selection, choose, instruments
from tieup.write.exchange.geo import geojson_text, geopackage_bytes
from tieup.write.exchange.landxml import NAMESPACE, landxml_text
from tieup.write.exchange.pnezd import pnezd_text

WRITERS: dict[str, Callable[[SiteContent], str | bytes]] = {
    "pnezd": pnezd_text,
    "landxml": landxml_text,
    "geojson": geojson_text,
    "gpkg": geopackage_bytes,
    "dxf": dxf_text,
}


def yard(folder: Path) -> Reconciliation:
    """Return a site that ties: an occupied mark, a free setup FREE1, two of a mark's name."""
    rows = [
        row(0, "CP1", role="control", proof="held"),
        row(1, "T9", role="station", proof="checked", setups="S3 S5"),
        row(2, "B2", role="tie", proof="checked", setups="A1 A3"),
        row(3, "101", code="curb", setups="A1"),
        row(4, "FREE1", role="station", proof="checked", setups="FREE1"),
        row(5, "B2", role="station", proof="checked", setups="B2"),
    ]
    setups = [
        {"setup": "FREE1"},
        {"setup": "B2"},
        {"setup": "S4", "station": "T9"},
    ]
    return replace(
        make_site(folder, ties=True),
        coordinates=table(COORDINATES, rows),
        setups=table(SETUPS, setups),
    )


@pytest.mark.parametrize("format_", WRITERS)
def test_no_instrument_is_a_ground_point(tmp_path: Path, format_: str) -> None:
    """A free setup stands at the height of its axis: no file has it; the occupied mark stays."""
    if format_ == "dxf":
        pytest.importorskip("ezdxf")
    site = yard(tmp_path)
    written = WRITERS[format_](content_of(site))
    text = written.decode("latin-1") if isinstance(written, bytes) else written
    assert "FREE1" not in text
    assert "T9" in text
    assert "Left out: 2 free instruments." in text


def test_a_mark_of_the_name_of_a_setup_stays(tmp_path: Path) -> None:
    """Of a mark B2 and a free setup B2 the mark leaves, at its own elevation, once."""
    site = yard(tmp_path)
    assert instruments(site) == {4, 5}
    (found,) = [point for point in content_of(site).points if point.name == "B2"]
    assert (found.role, found.place[2]) == ("tie", 100.0 - 0.0202)
    root = ElementTree.fromstring(landxml_text(content_of(site)))
    names = [point.get("name") for point in root.iter(f"{{{NAMESPACE}}}CgPoint")]
    assert names == ["CP1", "T9", "B2", "101"]
    document = json.loads(geojson_text(content_of(site)))
    assert [f["properties"]["point"] for f in document["features"]] == names


def curb(folder: Path) -> Reconciliation:
    """Return a site with a disputed point, a twin of a mark and a string through both."""
    rows = [
        row(0, "CP8", role="control", proof="held", code="nail"),
        row(1, "CP8@S4", role="tie", proof="checked", code="nail"),
        row(2, "A", proof="checked", code="curb", role="tie"),
        row(3, "B", code="curb"),
        row(4, "C", code="curb", proof="disputed"),
        row(5, "D", code="curb"),
        row(6, "E", code="lid"),
        row(7, "101@S1"),
        row(8, "101@S2"),
        row(9, "nowhere", northing=float("nan"), easting=float("nan"), proof=""),
        row(10, "S1", role="station", setups="S1", proof="checked"),
    ]
    line = [
        {"string": "CURB", "code": "curb", "part": 1, "number": number, "point": point}
        for number, point in enumerate(("A", "B", "C", "D", "E", "CP8@S4", "CP8"), start=1)
    ]
    return replace(
        make_site(folder, ties=True),
        coordinates=table(COORDINATES, rows),
        setups=table(SETUPS, [{"setup": "S1"}]),
        strings=table(STRINGS, line),
    )


def leaving(folder: Path, **asked: tuple[str, ...]) -> list[str]:
    """Return the names of the points that leave."""
    return [point.name for point in content_of(curb(folder), **asked).points]


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ({}, "CP8 A B D E 101@S1 101@S2"),
        ({"roles": ("control", "tie")}, "CP8 A"),
        ({"codes": ("curb", "lid")}, "A B D E"),
        ({"proofs": ("held", "checked")}, "CP8 A"),
        ({"codes": ("curb",), "proofs": ("unchecked",)}, "B D"),
        ({"proofs": ("checked",), "points": ("C",)}, "A C"),
        ({"roles": ("station",)}, ""),
        ({"points": ("CP8@S4", "S1")}, "CP8 CP8@S4 A B D E 101@S1 101@S2 S1"),
        ({"roles": ("control",), "points": ("C",)}, "CP8 C"),
        ({"points": ("nowhere",)}, "CP8 A B D E 101@S1 101@S2"),
    ],
)
def test_what_is_asked_for_leaves(
    tmp_path: Path, asked: dict[str, tuple[str, ...]], expected: str
) -> None:
    """Of each option a point must have one; disputed, twins and instruments come by name only."""
    assert leaving(tmp_path, **asked) == expected.split()


def test_a_name_that_was_booked_so_is_no_twin(tmp_path: Path) -> None:
    """CP8@S4 in a raw row is a name like any other."""
    site = curb(tmp_path)
    site.observations["point"][0] = "CP8@S4"  # type: ignore[index]
    assert 1 in choose(site, Selection()).rows


def test_a_line_never_runs_past_a_point_that_stays_behind(tmp_path: Path) -> None:
    """Where C is disputed the curb ends at B and goes on at D."""
    site = curb(tmp_path)
    lines = [["".join(p.name for p in line.points)] for line in content_of(site).strings]
    assert lines == [["AB"], ["DE"]]
    whole = content_of(site, points=("C", "CP8@S4")).strings
    assert ["".join(p.name for p in line.points) for line in whole] == ["ABCDECP8@S4CP8"]


@pytest.mark.parametrize("format_", WRITERS)
def test_what_stays_behind_and_what_nothing_checks_is_said_inside(
    tmp_path: Path, format_: str
) -> None:
    """Counted and, where they are few, named; each format has it."""
    if format_ == "dxf":
        pytest.importorskip("ezdxf")
    written = WRITERS[format_](content_of(curb(tmp_path)))
    text = written.decode("latin-1") if isinstance(written, bytes) else written
    assert (
        "Left out: 1 free instrument; 1 disputed point (C); 1 other place of a mark (CP8@S4); "
        "1 point without coordinates (nowhere)."
    ) in text
    assert "5 points unchecked: a mistake beyond the limits could hide in them." in text


@pytest.mark.parametrize("format_", WRITERS)
def test_an_instrument_or_a_disputed_point_is_called_so_inside(
    tmp_path: Path, format_: str
) -> None:
    """Asked for by name they leave, and no reader can take them for ground that is sure."""
    if format_ == "dxf":
        pytest.importorskip("ezdxf")
    content = content_of(curb(tmp_path), points=("S1", "C"), codes=("lid",))
    written = WRITERS[format_](content)
    text = written.decode("latin-1") if isinstance(written, bytes) else written
    assert "Elevation of the instrument, not of the ground: S1." in text
    assert "Disputed, more than one place fits: C." in text


def test_landxml_groups_what_nothing_checks(tmp_path: Path) -> None:
    """Points that nothing checks have a group of their own, disputed ones too."""
    root = ElementTree.fromstring(landxml_text(content_of(curb(tmp_path), points=("C",))))
    groups = {
        group.get("name"): [point.get("name") for point in group]
        for group in root.findall(f"{{{NAMESPACE}}}CgPoints")
    }
    assert groups == {
        "points": ["CP8", "A"],
        "unchecked points": ["B", "D", "E", "101@S1", "101@S2"],
        "disputed points": ["C"],
    }


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (Selection(codes=("crub",)), "--code crub: the site has no such code. Did you mean curb"),
        (Selection(points=("Z9Z9",)), "--point Z9Z9: the site has no such point. There are"),
    ],
)
def test_what_the_site_has_not_is_an_error(tmp_path: Path, asked: Selection, words: str) -> None:
    """A mistyped code would send nothing, or the wrong thing, in silence."""
    with pytest.raises(OutputError, match=words):
        choose(curb(tmp_path), asked)


def test_the_options_are_those_of_the_command() -> None:
    """The words that the command line takes are those that the files know."""
    assert (cli.ROLES, cli.PROOFS) == (ROLES, PROOFS)


def test_a_selection_without_files_is_a_wrong_call(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--proof alone would do nothing, so it is refused before the work."""
    assert cli.outcome(["reconcile", str(tmp_path), "--proof", "held"]) == 2
    assert "--proof is for the files of --also" in capsys.readouterr().err
