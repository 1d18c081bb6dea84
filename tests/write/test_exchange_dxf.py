"""site.dxf, read back by ezdxf: points, 3-D strings, units, texts that DXF must escape."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.write.exchange_site import HOSTILE, content_of, hostile_site, truth
from tieup.write.exchange.dxf import (
    APPLICATION,
    FLAT,
    POINTS,
    carried,
    dxf_text,
    layer_name,
)
from tieup.write.exchange.escapes import restored

pytest.importorskip("ezdxf")


def drawing_of(folder: Path, unit: str = "m") -> Any:
    """Write the hostile site and read it with ezdxf, which must find no fault in it."""
    from ezdxf import recover

    path = folder / "site.dxf"
    path.write_bytes(dxf_text(content_of(hostile_site(folder, unit))).encode())
    drawing, auditor = recover.readfile(path)  # decodes \U+XXXX, as DXF asks of a reader
    assert not auditor.errors and not auditor.fixes
    return drawing


def plain(text: str) -> str:
    """Return a text as ezdxf's own decoder of carets understands it."""
    from ezdxf.tools.text import caret_decode

    return str(caret_decode(text))


def test_points_come_back(tmp_path: Path) -> None:
    """Each point stands where coordinates.csv has it, with its name, code and elevation."""
    inserts = drawing_of(tmp_path).modelspace().query("INSERT")
    rows = truth(hostile_site(tmp_path))
    assert len(inserts) == len(rows)
    for insert, row in zip(inserts, rows, strict=True):
        texts = {attribute.dxf.tag: plain(attribute.dxf.text) for attribute in insert.attribs}
        expected = {"POINT": row["point"], "CODE": row["code"], "ELEVATION": row["elevation"]}
        assert texts == expected | {"PROOF": row["proof"]}
        assert [a.dxf.tag for a in insert.attribs if a.is_invisible] == ["PROOF"]
        place = (float(row["easting"]), float(row["northing"]), float(row["elevation"] or 0))
        assert tuple(insert.dxf.insert) == place
        assert insert.dxf.layer == (POINTS if row["elevation"] else FLAT)


def test_strings_come_back_with_their_exact_names(tmp_path: Path) -> None:
    """Each string is one 3-D polyline; its extended data holds name and code whatever they are."""
    drawing = drawing_of(tmp_path)
    content = content_of(hostile_site(tmp_path))
    lines = drawing.modelspace().query("POLYLINE")
    assert len(lines) == len(content.strings) == len(HOSTILE)
    for line, string in zip(lines, content.strings, strict=True):
        assert line.is_3d_polyline
        vertices = [tuple(vertex.dxf.location) for vertex in line.vertices]
        assert vertices == [(p.place[1], p.place[0], p.place[2]) for p in string.points]
        pieces = [(tag.code, tag.value) for tag in line.get_xdata(APPLICATION)]
        middle = next(i for i, (code, _) in enumerate(pieces) if code == 1070)
        name, code = (
            plain("".join(value for kind, value in part if kind == 1000))
            for part in (pieces[:middle], pieces[middle:])
        )
        assert (name, code) == (string.name, string.code)
        assert all(len(str(value).encode()) <= 255 for _, value in pieces)
        assert line.dxf.layer == layer_name(string.name)
        assert line.dxf.layer in drawing.layers


@pytest.mark.parametrize(("unit", "code", "metric"), [("m", 6, 1), ("ft", 2, 0), ("ftUS", 21, 0)])
def test_the_unit_is_stated(tmp_path: Path, unit: str, code: int, metric: int) -> None:
    """$INSUNITS by the DXF reference: 6 metres, 2 feet, 21 US survey feet."""
    header = drawing_of(tmp_path, unit).header
    assert (header["$INSUNITS"], header["$MEASUREMENT"]) == (code, metric)
    assert f"({unit})" in dict(header.custom_vars)["tieup 1"]


def test_a_short_layer_name_gives_its_string_back() -> None:
    """No character that layers forbid is left, and the string can be had back."""
    from ezdxf.lldxf.validator import is_valid_layer_name

    for text in HOSTILE:
        name = layer_name(text)
        assert is_valid_layer_name(name) and len(name) <= 255
        assert len(text) > 100 or restored(name, "%") == f"STRING_{text}"


@given(st.text(st.characters(codec="utf-8")))
def test_any_text_is_carried_on_one_line(text: str) -> None:
    """No control character is left, which would end the line of a DXF file; all come back."""
    assert not any(character < " " for character in carried(text))
    assert plain(restored(carried(text), "\\U+")) == text


def test_the_options_of_the_library_are_left_as_they_were(tmp_path: Path) -> None:
    """The fixed time and identifiers of one file are no setting of the caller's program."""
    options = import_module("ezdxf").options
    before = options.write_fixed_meta_data_for_testing
    first = dxf_text(content_of(hostile_site(tmp_path)))
    assert options.write_fixed_meta_data_for_testing == before
    assert dxf_text(content_of(hostile_site(tmp_path))) == first
