"""The view of surfaces: what is drawn against the tables, and what a tap tells in a browser."""

from __future__ import annotations

import math
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.write.page_browser import BROWSER, browser
from tests.write.page_measures import OPEN_ALL, TOO_SMALL
from tieup.config import load_job
from tieup.model.reconciliation import Reconciliation
from tieup.pipeline import run
from tieup.write.page import page_text
from tieup.write.page.surface_view import surface_maps

SAMPLE = Path(__file__).parents[2] / "sample_raw" / "drill_yard"
WAIT = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Reconciliation:
    """Reconcile a copy of the drill yard."""
    folder = tmp_path_factory.mktemp("jobs") / "drill_yard"
    shutil.copytree(SAMPLE, folder)
    return run(load_job(folder))


def test_arrows_point_down_and_say_the_fall(site: Reconciliation) -> None:
    """Each arrow lies in a triangle with its fall, and its turn is the azimuth of that."""
    (drawn,) = surface_maps(site)
    surface = site.surfaces[0]
    assert 15 < len(drawn.arrows) <= 35
    azimuths = [_degrees(text) for text in surface.faces["fall_azimuth"]]
    turns = {round((azimuth - 90.0) % 360.0, 0) % 360 for azimuth in azimuths}
    for arrow in drawn.arrows:
        assert round(arrow.turn % 360.0, 0) % 360 in turns
        near = np.abs(np.array(azimuths) - (arrow.turn + 90.0) % 360.0) < 0.06
        assert any(f"{fall:.1f}" == arrow.says for fall in np.array(surface.faces["fall"])[near])


def _degrees(text: str) -> float:
    """Return degrees-minutes-seconds as degrees."""
    degrees, minutes, seconds = map(float, text.split("-"))
    return degrees + minutes / 60 + seconds / 3600


def test_every_pond_every_inlet_and_the_seam_are_drawn(site: Reconciliation) -> None:
    """POND8 filled, POND2 dashed, two inlets, contours, the triangles that bridge setups."""
    (drawn,) = surface_maps(site)
    assert {spot.name: spot.shape for spot in drawn.spots} == {"POND8": "bad", "POND2": "open"}
    assert sorted(shape for shape, _ in drawn.shores) == ["bad", "open"]
    assert {spot.name for spot in drawn.inlets} == {"IN1", "IN2"}
    across = [word == "across" for word in site.surfaces[0].faces["joint"]]
    assert drawn.seams.count("z") == sum(across) > 0
    broken = [bool(word) for word in site.surfaces[0].faces["breaks"]]
    assert drawn.broken.count("z") == sum(broken) > 0
    assert drawn.thin.count("M") + drawn.strong.count("M") == len(site.surfaces[0].contours)


def test_a_site_without_surfaces_has_no_such_view(site: Reconciliation) -> None:
    """Neither the section nor the link."""
    from dataclasses import replace

    text = page_text(replace(site, surfaces=()))
    assert 'id="surface"' not in text and 'href="#surface"' not in text
    assert 'id="surface"' in page_text(site)


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="no chromium here to open the page in")
@pytest.mark.parametrize(("width", "height"), [(1280, 900), (390, 844)])
def test_a_tap_gives_height_grade_and_proof(
    site: Reconciliation, tmp_path: Path, width: int, height: int
) -> None:
    """On the inlet IN1: its elevation in points.csv; outside: nothing. No room is lacking."""
    page = tmp_path / "report.html"
    page.write_text(page_text(site), encoding="utf-8")
    (drawn,) = surface_maps(site)
    spot = next(spot for spot in drawn.inlets if spot.name == "IN1")
    points = site.surfaces[0].points
    row = [str(name) for name in points["point"]].index("IN1")
    with browser() as tab:
        tab.open(page, width, height, "surface")
        told = _tap(tab, spot.x, spot.y)
        assert float(re.search(r"Height\s+([\d.]+) m", told)[1]) == pytest.approx(
            points["elevation"][row], abs=0.01
        )
        assert "%" in told and "nothing checks" in told and "S2" in told
        assert "outside" in _tap(tab, 5.0, 5.0)
        assert tab.run("document.documentElement.scrollWidth") <= width
        tab.run(OPEN_ALL)
        assert tab.run(TOO_SMALL if width == 390 else "[]") == []
        assert not [e for e in tab.events if e.get("method") == "Runtime.exceptionThrown"]


def _tap(tab: Any, x: float, y: float) -> str:
    box = "document.querySelector('.surface-map')"
    tab.run(f"{box}.scrollIntoView({{block: 'center'}})")
    left, top, wide, high = tab.run(
        f"(() => {{ const r = {box}.getBoundingClientRect();"
        " return [r.left, r.top, r.width, r.height]; })()"
    )
    whole = tab.run(f"[{box}.viewBox.baseVal.width, {box}.viewBox.baseVal.height]")
    assert math.isclose(wide / whole[0], high / whole[1], rel_tol=0.02)
    at = {"x": left + x * wide / whole[0], "y": top + y * high / whole[1]}
    for kind in ("mousePressed", "mouseReleased"):
        tab.send("Input.dispatchMouseEvent", type=kind, button="left", clickCount=1, **at)
    tab.run(WAIT)
    return str(tab.run("document.getElementById('surface-0-info').innerText"))
