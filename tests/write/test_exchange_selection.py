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
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import COORDINATES, SETUPS
from tieup.write.exchange.content import SiteContent
from tieup.write.exchange.dxf import dxf_text
from tieup.write.exchange.geo import geojson_text, geopackage_bytes
from tieup.write.exchange.landxml import NAMESPACE, landxml_text
from tieup.write.exchange.pnezd import pnezd_text
from tieup.write.exchange.selection import instruments

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
    assert "Instruments left out: 2 free." in text


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
