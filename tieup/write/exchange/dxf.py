"""site.dxf: points, 3-D strings and surfaces for a drawing program, through the library ezdxf.

A point is a block of a POINT with the attributes POINT, CODE and ELEVATION, and PROOF, which is
not shown; a string is a 3-D
polyline on a layer of its own, its exact name and code in extended data of the application
TIEUP: pieces of the name (1000), a 1070, pieces of the code (1000). Easting is x.
A control character stands as the DXF reference writes it (``^J`` is a line break, ``^ `` a
caret); a layer name, which may not hold some others, has them as ``%`` and four digits.
"""

from __future__ import annotations

import re
from importlib import import_module
from importlib.util import find_spec
from io import StringIO
from typing import TYPE_CHECKING, Any

from tieup.errors import OutputError
from tieup.write.cautions import CAUTIONS
from tieup.write.columns import COORDINATE, DECIMALS
from tieup.write.exchange.content import SiteContent, SitePoint, SiteString
from tieup.write.exchange.escapes import escaped
from tieup.write.exchange.surface_content import SurfaceContent

if TYPE_CHECKING:
    from ezdxf.document import Drawing

APPLICATION = "TIEUP"
INSERT_UNITS = {"m": 6, "ft": 2, "ftUS": 21}  # $INSUNITS
VERSION = "R2010"  # its text is UTF-8
BLOCK = "SURVEY_POINT"
POINTS, FLAT, STRINGS = "POINTS", "POINTS_WITHOUT_ELEVATION", "STRING_"
SURFACE, CONTOURS = "SURFACE_", "CONTOURS_"
DRAFT = "DRAFT_"  # before every layer of a draft
PROOF = "PROOF"
TEXT_HEIGHT = {"m": 0.2, "ft": 0.6, "ftUS": 0.6}
LAYER_FORBIDDEN = '<>/\\\\":;?*|=`,%\x00-\x1f\x7f'
LONGEST_LAYER = 255
PIECE = 36  # characters of seven bytes at most: a text of extended data holds 255 bytes


def check_dxf() -> None:
    """Raise OutputError where the library is missing."""
    if find_spec("ezdxf") is None:
        raise OutputError(
            "--also dxf: needs the library ezdxf, which is not installed. "
            'Install it: pip install "tieup[dxf]", or leave --also dxf out'
        )


def dxf_text(content: SiteContent) -> str:
    """Return site.dxf.

    Raises
    ------
    OutputError
        The library ezdxf is not installed.
    """
    check_dxf()
    ezdxf: Any = import_module("ezdxf")
    fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # no clock and no random identifier
    try:
        drawing = ezdxf.new(VERSION, units=INSERT_UNITS[content.unit])
        drawing.header["$MEASUREMENT"] = int(content.unit == "m")
        said = (*content.statements, *CAUTIONS[:-1])  # the last is of common practice
        for number, statement in enumerate(said, start=1):
            drawing.header.custom_vars.append(f"tieup {number}", carried(statement))
        drawing.appids.add(APPLICATION)
        _add_points(drawing, content)
        for string in content.strings:
            _add_string(drawing, string, _draft(content))
        for surface in content.surfaces:
            _add_surface(drawing, surface, DRAFT if surface.unsafe else _draft(content))
        _sort_classes(drawing)
        stream = StringIO()
        drawing.write(stream)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed
    return stream.getvalue()


def _sort_classes(drawing: Drawing) -> None:
    """Bring the classes into one order: ezdxf adds some of them out of a set."""
    drawing.classes.add_required_classes(drawing.dxfversion)
    drawing.classes.classes = dict(sorted(drawing.classes.classes.items()))


def _add_points(drawing: Drawing, content: SiteContent) -> None:
    height = TEXT_HEIGHT[content.unit]
    block = drawing.blocks.new(BLOCK)
    block.add_point((0, 0, 0))
    lines = {tag: -1.5 * height * row for row, tag in enumerate(("POINT", "CODE", "ELEVATION"))}
    for tag, below in lines.items():
        block.add_attdef(tag, (height, below), dxfattribs={"height": height})
    block.add_attdef(PROOF, (0, 0), dxfattribs={"height": height}).is_invisible = True
    points, flat = (f"{_draft(content)}{layer}" for layer in (POINTS, FLAT))
    for layer in (points, flat):
        drawing.layers.add(layer)
    model = drawing.modelspace()
    for point in content.points:
        north, east, elevation = point.place
        layer, level = (points, elevation) if point.has_elevation else (flat, 0.0)
        insert = model.add_blockref(BLOCK, (east, north, level), dxfattribs={"layer": layer})
        style = {"layer": layer, "height": height}
        for tag, text in _attributes(point).items():
            beside = (east + height, north + lines[tag], level)
            insert.add_attrib(tag, text, beside, dxfattribs=style)
        hidden = insert.add_attrib(PROOF, point.proof, (east, north, level), dxfattribs=style)
        hidden.is_invisible = True


def _attributes(point: SitePoint) -> dict[str, str]:
    elevation = f"{point.place[2]:.{DECIMALS[COORDINATE]}f}" if point.has_elevation else ""
    return {
        "POINT": carried(point.name),
        "CODE": carried(point.code),
        "ELEVATION": elevation,
    }


def _add_string(drawing: Drawing, string: SiteString, before: str) -> None:
    layer = layer_name(string.name, before)
    if layer not in drawing.layers:
        drawing.layers.add(layer)
    places = [(point.place[1], point.place[0], point.place[2]) for point in string.points]
    line = drawing.modelspace().add_polyline3d(places, dxfattribs={"layer": layer})
    line.set_xdata(APPLICATION, [*_pieces(string.name), (1070, 0), *_pieces(string.code)])


def _add_surface(drawing: Drawing, surface: SurfaceContent, before: str) -> None:
    """Add the triangles as faces and the contours as flat lines, on layers of their own."""
    model = drawing.modelspace()
    faces, lines = (layer_name(surface.name, before, kind) for kind in (SURFACE, CONTOURS))
    for layer in (faces, lines):
        drawing.layers.add(layer)
    for corners in surface.places[:, [1, 0, 2]][surface.faces].tolist():
        model.add_3dface([*corners, corners[2]], dxfattribs={"layer": faces})
    for level, line in surface.contours:
        style = {"layer": lines, "elevation": level}
        model.add_lwpolyline(line[:, [1, 0]].tolist(), dxfattribs=style)


def _draft(content: SiteContent) -> str:
    return DRAFT if content.draft else ""


def layer_name(string: str, before: str = "", kind: str = STRINGS) -> str:
    """Return the layer of a string or a surface; a very long name is cut, its extended data is not.

    >>> layer_name("CURB/<1>")
    'STRING_CURB%002F%003C1%003E'
    """
    return (before + kind + escaped(string, LAYER_FORBIDDEN, "%"))[:LONGEST_LAYER]


def _pieces(text: str) -> list[tuple[int, Any]]:
    """Cut a text into what extended data holds; never within an escape."""
    found = re.findall(rf"(?:\^.|\\U\+[0-9A-F]{{4}}|.){{1,{PIECE}}}", carried(text))
    return [(1000, piece) for piece in found]


def carried(text: str) -> str:
    r"""Return a text as DXF holds it: control characters in caret notation.

    >>> carried("a\nb^c \\U+0041")
    'a^Jb^ c \\U+005CU+0041'
    """
    caret = re.sub(r"[\x00-\x1f^]", lambda found: _caret(found[0]), text)
    return escaped(caret, "\x7f", "\\U+")


def _caret(character: str) -> str:
    return "^ " if character == "^" else f"^{chr(ord(character) + 64)}"
