"""What a surface is made of decides whether it may be told to drain; made yards without errors."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

import tieup
from tests.endtoend.yard_jobs import Shot, ring, write_job
from tieup import cli
from tieup.write.page.surface_view import surface_maps

SAMPLE = Path(__file__).parents[2] / "sample_raw" / "drill_yard"
EDGE = ring("E", "EDGE", [99.9, 99.7, 99.5, 99.7])
MIDDLE = Shot("C", 1021.0, 1019.0, 100.0, "pave")
PAVE = "  x: {codes: [pave], boundary: EDGE}"


def _surface(folder: Path, shots: list[Shot], surfaces: str = PAVE) -> tieup.SurfaceResult:
    return tieup.surface(write_job(folder, shots, surfaces))


def _says(result: tieup.SurfaceResult, surface: int = 0) -> str:
    return "\n".join(result.record["surfaces"][surface]["says"])


def _headline(result: tieup.SurfaceResult, surface: int = 0) -> str:
    return str(result.record["surfaces"][surface]["headline"])


def test_a_sound_yard_drains(tmp_path: Path) -> None:
    """What the others are held against: with all its parts it drains, exit status 0."""
    result = _surface(tmp_path / "job", [*EDGE, MIDDLE])
    assert result.verdicts == {"x": "drains"} and result.status == 0


@pytest.mark.parametrize("surfaces", [PAVE, "  x: {boundary: EDGE}", "  x: {strings: [EDGE]}"])
def test_a_corner_without_a_height_is_told(tmp_path: Path, surfaces: str) -> None:
    """However the point was asked for; the boundary is not silently a triangle."""
    shots = [replace(shot, flat=shot.point == "E3") for shot in EDGE]
    result = _surface(tmp_path / "job", [*shots, MIDDLE], surfaces)
    assert result.verdicts == {"x": "cannot tell"} and result.status == 1
    cut = "E3 of EDGE has no height"
    assert cut in _headline(result) and cut in _says(result)
    assert ("the boundary is cut short" in _headline(result)) == ("boundary" in surfaces)


def test_a_spot_without_a_height_is_told(tmp_path: Path) -> None:
    """The only point of the middle: without it the edge says nothing of the ground there."""
    result = _surface(tmp_path / "job", [*EDGE, replace(MIDDLE, flat=True)])
    assert result.verdicts == {"x": "cannot tell"} and result.status == 1
    assert "C of pave has no height" in _headline(result)


def test_points_that_proofs_leave_out_are_counted(tmp_path: Path) -> None:
    """By code and string, with the reason, where some of the surface is left."""
    surfaces = "  x: {codes: [pave, nail], boundary: EDGE, proofs: [held, checked]}"
    result = _surface(tmp_path / "job", [*EDGE, MIDDLE], surfaces)
    assert result.status == 1
    said = "5 points (4 of EDGE, 1 of pave) are unchecked and left out by proofs"
    assert f"{said}: the boundary is cut short" in _headline(result)


def _pole_too_long(folder: Path) -> Path:
    """Return the drill yard with the pole of the second setup typed 0.1 m too long on its work."""
    shutil.copytree(SAMPLE, folder)
    path = folder / "raw" / "s2.csv"
    rows = path.read_text(encoding="utf-8")
    path.write_text(rows.replace(",1.500,", ",1.600,"), encoding="utf-8")
    return folder


def test_all_that_hangs_on_either_pole_is_disputed(tmp_path: Path) -> None:
    """Nothing but marks shot with it by both setups speaks of a pole: either may be the wrong one.

    138 points of the yard were shot with the one or the other, and have no sure height. What is
    left holds the water that it holds without the mistake.
    """
    result = tieup.surface(_pole_too_long(tmp_path / "job"))
    assert result.verdicts == {"yard": "holds"} and result.status == 1
    (open_,) = [one for one in result.record["surfaces"][0]["says"] if "disputed" in one]
    assert open_.startswith("138 points (56 of EDGE, 55 of pave, 19 of SLAB, ")
    assert "disputed and left out by proofs: the boundary is cut short" in open_


def test_which_of_two_equal_causes_is_named_hangs_on_no_order(tmp_path: Path) -> None:
    """Both poles explain the steps alike: neither rounding nor which file is read first decides."""
    folder = _pole_too_long(tmp_path / "job")
    first = tieup.reconcile(folder)
    (folder / "raw" / "s1.csv").rename(folder / "raw" / "z1.csv")
    second = tieup.reconcile(folder)
    told = [
        [(f["setup"], sorted(f["points"])) for f in one.findings if f["kind"] == "target-height"]
        for one in (first, second)
    ]
    assert told[0] == told[1] and len(told[0]) == 1
    disputed = [
        set(one.coordinates.loc[one.coordinates["proof"] == "disputed", "point"])
        for one in (first, second)
    ]
    assert disputed[0] == disputed[1] and len(disputed[0]) > 138


def test_twins_are_named_right_and_their_mean_is_no_shot(tmp_path: Path) -> None:
    """Two points in one place, 0.2 m apart in height: both named, nobody can tell."""
    twins = [Shot("P1", 1020.0, 1020.0, 100.2, "pave"), Shot("P2", 1020.0, 1020.0, 100.0, "pave")]
    result = _surface(tmp_path / "job", [*EDGE, *twins])
    assert result.verdicts == {"x": "cannot tell"} and result.status == 1
    assert "P2 lies over P1 in plan and 200 mm below it" in _headline(result)
    points = result.table("x", "points").set_index("point")
    assert not {"P1", "P2"} & {*points.index}
    place = points.loc["mean of P1 and P2"]
    assert place["elevation"] == pytest.approx(100.1, abs=0.001)
    assert place["proof"] == "disputed" and place["sd_elevation"] >= 0.199
    assert {*result.table("x", "faces")["proof"]} == {"disputed"}
    assert "Disputed: 1 point, of two heights" in " ".join(result.text().split())


def test_two_shots_that_agree_are_one_place(tmp_path: Path) -> None:
    """0.1 mm apart: no finding, their mean, known better than one of them."""
    twins = [
        Shot("P1", 1020.0, 1020.0, 100.0, "pave"),
        Shot("P2", 1020.0, 1020.0, 100.0001, "pave"),
    ]
    result = _surface(tmp_path / "two", [*EDGE, *twins])
    lone = _surface(tmp_path / "one", [*EDGE, twins[0]])
    assert result.verdicts == {"x": "drains"} and result.status == 0
    both, one = (own.table("x", "points").set_index("point").loc["P1"] for own in (result, lone))
    assert both["elevation"] == pytest.approx(one["elevation"] + 0.00005, abs=2e-5)
    assert both["sd_elevation"] < one["sd_elevation"] and both["proof"] == "unchecked"


def test_the_file_for_other_programs_says_what_is_open(tmp_path: Path) -> None:
    """LandXML: not just drains in the description, but what keeps it from being told."""
    twins = [Shot("P1", 1020.0, 1020.0, 100.2, "pave"), Shot("P2", 1020.0, 1020.0, 100.0, "pave")]
    folder = write_job(tmp_path / "job", [*EDGE, *twins], PAVE)
    cli.outcome(["reconcile", str(folder), "--quiet", "--also", "landxml", "--draft"])
    (path,) = (folder / "out").glob("site*.xml")
    root = ElementTree.parse(path).getroot()
    surface = root.find(".//{http://www.landxml.org/schema/LandXML-1.2}Surface")
    assert surface.get("desc").startswith("cannot tell whether it drains; P2 lies over P1")
    assert surface.get("name") == "DRAFT x"


CROSS = [
    Shot("A1", 1015.0, 1012.0, 100.1, "l", "A"),
    Shot("A2", 1015.0, 1028.0, 100.1, "l", "A"),
    Shot("B1", 1012.0, 1020.0, 100.0, "l", "B"),
    Shot("B2", 1018.0, 1020.0, 100.0, "l", "B"),
]
BOWTIE = [EDGE[0], EDGE[2], EDGE[1], EDGE[3], EDGE[0]]


@pytest.mark.parametrize(
    ("shots", "surfaces", "said"),
    [
        ([*EDGE, *CROSS], "  x: {strings: [A, B], boundary: EDGE}", "string B crosses A"),
        ([*BOWTIE, MIDDLE], PAVE, "EDGE crosses itself or encloses nothing"),
        (
            [*EDGE[:2], MIDDLE, Shot("D", 1015.0, 1012.0, 99.8, "pave")],
            PAVE,
            "EDGE crosses itself or encloses nothing",
        ),
    ],
    ids=["crossing", "bowtie", "two points"],
)
def test_what_contradicts_itself_is_not_told_to_drain(
    tmp_path: Path, shots: list[Shot], surfaces: str, said: str
) -> None:
    """In the headline, on the screen, in the record and in the view of the page."""
    result = _surface(tmp_path / "job", shots, surfaces)
    assert result.verdicts == {"x": "cannot tell"} and result.status == 1
    assert said in _headline(result) and said in _says(result)
    (drawn,) = surface_maps(result.reconciliation)
    assert any(said in line for _, lines in drawn.sections for line in lines)
    assert said in " ".join(result.text(200).split())


def test_an_inlet_and_a_hole_outside_are_told(tmp_path: Path) -> None:
    """They do no harm to the answer, and are no part of it."""
    house = ring("H", "HOUSE", [99.0] * 4, corner=1050.0, side=5.0)
    surfaces = "  x: {codes: [pave], boundary: EDGE, holes: [HOUSE], inlets: [CP1]}"
    result = _surface(tmp_path / "job", [*EDGE, MIDDLE, *house], surfaces)
    assert result.verdicts == {"x": "drains"} and result.status == 0
    assert "the inlet CP1 lies outside of it" in _says(result)
    assert "the hole HOUSE lies outside of it" in result.text()


def _layers(corner: float) -> list[Shot]:
    """Return a base of 20 m by 20 m and a top 0.1 m above its plane, at another corner."""
    plane = [100.0, 99.8, 99.6, 99.8]
    base = ring("B", "BASE", plane, 1000.0)
    top = ring("T", "TOP", [h + 0.1 - 0.01 * (corner - 1000.0) for h in plane], 1000.0)
    return [*base, *(replace(shot, north=shot.north + corner - 1000.0) for shot in top)]


LAYER = (
    "  base: {strings: [BASE], boundary: BASE}\n  top: {strings: [TOP], boundary: TOP, against: "
)


@pytest.mark.parametrize(
    ("corner", "verdict", "said"),
    [
        (1000.0, "pass", "thickness pass"),
        (1010.0, "cannot tell", "200 of 400 m2 compared"),
        (1060.0, "cannot tell", "they cover no common ground"),
    ],
)
def test_a_layer_passes_only_where_it_was_compared(
    tmp_path: Path, corner: float, verdict: str, said: str
) -> None:
    """Whole, half and no cover of a layer that is everywhere as thick as asked for."""
    entry = f"{LAYER}{{surface: base, thickness: 0.1, tolerance: 0.006}}}}"
    result = _surface(tmp_path / "job", _layers(corner), entry)
    (row,) = (r for r in result.record["surfaces"][1]["depths"] if r["where"] == "all")
    assert row["verdict"] == verdict and result.status == int(verdict != "pass")
    assert said in " ".join(result.text().split())
    found = [f for f in result.reconciliation.findings if f.kind == "layer-thickness"]
    assert len(found) == int(verdict != "pass")


@pytest.mark.parametrize("asked", ["", ", thickness: 0.1"])
def test_cut_and_fill_alone_is_nothing_wrong(tmp_path: Path, asked: str) -> None:
    """Without a tolerance nothing is asked of the layer: exit status 0."""
    result = _surface(tmp_path / "job", _layers(1000.0), f"{LAYER}{{surface: base{asked}}}}}")
    assert result.status == 0


@pytest.mark.parametrize(
    ("surfaces", "why"),
    [
        ("  x: {codes: [pave], boundary: EDGE, holes: [EDGE]}", "EDGE cuts away all of it"),
        ("  x: {codes: [pave, edge], longest_edge: 0.5}", "longest_edge is shorter"),
        ("  x: {codes: [pave], boundary: EDGE, proofs: [checked]}", "no point takes part, 5 left"),
        ("  x: {points: [E1, E2]}", "only 2 points take part"),
        ("  x: {points: [C]}", "only 1 point takes part"),
    ],
)
def test_no_surface_says_the_true_reason(tmp_path: Path, surfaces: str, why: str) -> None:
    """Each way to nothing by its own name."""
    result = _surface(tmp_path / "job", [*EDGE, MIDDLE], surfaces)
    assert result.verdicts == {"x": ""} and result.status == 1
    assert f"X IS NO SURFACE: {why}" in _headline(result)


def test_it_says_where_it_wrote(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --out on the screen and in the record; without, nothing."""
    folder, out = write_job(tmp_path / "job", [*EDGE, MIDDLE], PAVE), tmp_path / "away"
    assert cli.outcome(["surface", str(folder)]) == 0
    assert "Written" not in capsys.readouterr().out
    assert cli.outcome(["surface", str(folder), "--out", str(out)]) == 0
    assert f"Written to {out}: " in capsys.readouterr().out
    assert cli.outcome(["surface", str(folder), "--out", str(out), "--json"]) == 0
    written = json.loads(capsys.readouterr().out)["written"]
    assert {Path(path).name for path in written} == {path.name for path in out.iterdir()}


@pytest.mark.parametrize("word", ["drains", "holds", "surface files"])
def test_the_words_of_the_answer_are_explained(
    word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each is a term of its own."""
    assert cli.outcome(["explain", word]) == 0
    assert "(term)" in capsys.readouterr().out
