"""report.html measured in a real browser, on a phone and on a desk: room, reach, names, light."""

from __future__ import annotations

import importlib.util
import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import tieup
from tests.at_hand import needs_browser
from tests.write.page_browser import Browser, browser
from tests.write.page_measures import (
    BROKEN_VALUES,
    CUT_TABLES,
    NAMES,
    NAMES_OVER_NAMES,
    OPEN_ALL,
    TOO_SMALL,
)
from tests.write.page_sites import invented_site, with_disputes, with_extras
from tieup.model.reconciliation import Reconciliation
from tieup.write.page import page_text

pytestmark = [needs_browser, pytest.mark.slow]

FOLDER = Path("yard")
SAMPLES = Path(__file__).parents[2] / "sample_raw"
DESKTOP, PHONE = (1280, 900), (390, 844)  # CSS pixels
VIEWS = ("crew", "survey", "office", "plan")
NAMED = ("fire_station", "two_setups", "disputed", "crowded")
WAIT = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
each_page = pytest.mark.parametrize("name", NAMED)
each_size = pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])


def crowded() -> Reconciliation:
    """Return a site of 14 setups and 60 marks, half of them within a few metres."""
    site = with_extras(invented_site(FOLDER, points=1200, setups=14, shots=4))
    place = {name: np.array(site.coordinates[name]) for name in ("northing", "easting")}
    for column in place.values():
        column[:30] = column[0] + (column[:30] - column[0]) / 20.0
    return replace(with_disputes(site), coordinates={**site.coordinates, **place})


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Write the pages: two samples as they are reconciled, and two invented sites."""
    folder = tmp_path_factory.mktemp("pages")
    sites = {
        "disputed": with_disputes(with_extras(invented_site(FOLDER))),
        "crowded": crowded(),
        "small": with_disputes(with_extras(invented_site(FOLDER, points=240, setups=3))),
    }
    for name in ("fire_station", "two_setups"):
        shutil.copytree(SAMPLES / name, folder / name, ignore=shutil.ignore_patterns("out"))
        sites[name] = tieup.reconcile(folder / name).reconciliation
    for name, site in sites.items():
        (folder / f"{name}.html").write_text(page_text(site), encoding="utf-8")
    return {name: folder / f"{name}.html" for name in sites}


@pytest.fixture(scope="module")
def started() -> Iterator[Browser]:
    """Start the browser once for all tests."""
    with browser() as tab:
        yield tab


@pytest.fixture
def tab(started: Browser) -> Iterator[Browser]:
    """Return the browser in the light and on a screen, and put it back there."""
    dress(started)
    yield started
    dress(started)


def dress(tab: Browser, scheme: str = "light", media: str = "") -> None:
    """Let the device ask for a colour scheme, or for paper."""
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    tab.send("Emulation.setEmulatedMedia", media=media, features=features)


@each_size
@each_page
def test_nothing_reaches_beyond_the_window(
    tab: Browser, pages: dict[str, Path], name: str, size: tuple[int, int]
) -> None:
    """Every view, with everything in it open; on a desk no table is cut either."""
    for view in VIEWS:
        tab.open(pages[name], *size, view)
        tab.run(OPEN_ALL)
        assert tab.run("document.documentElement.scrollWidth") <= size[0], view
        assert tab.run(BROKEN_VALUES) == []
        if size == DESKTOP:
            assert tab.run(CUT_TABLES) == [], view


def test_large_coordinates_fit_a_desk(tab: Browser, tmp_path: Path) -> None:
    """Northings of a national grid, seven digits before the point, cut no table."""
    site = with_disputes(with_extras(invented_site(FOLDER)))
    far = {}
    for table in ("coordinates", "setups"):
        columns = getattr(site, table)
        far[table] = {**columns, "northing": np.asarray(columns["northing"]) + 5_400_000.0}
    (tmp_path / "far.html").write_text(page_text(replace(site, **far)), encoding="utf-8")
    tab.open(tmp_path / "far.html", *DESKTOP, "survey")
    tab.run(OPEN_ALL)
    assert tab.run(CUT_TABLES) == []


@each_page
def test_a_finger_hits_everything(tab: Browser, pages: dict[str, Path], name: str) -> None:
    """Links, buttons, what opens and what switches: 44 px high and wide at least, on a phone."""
    for view in VIEWS:
        tab.open(pages[name], *PHONE, view)
        tab.run(OPEN_ALL)
        assert tab.run(TOO_SMALL) == [], view


@each_page
def test_the_answer_and_what_to_do_are_on_the_first_screen(
    tab: Browser, pages: dict[str, Path], name: str
) -> None:
    """On a phone the verdict and the first thing to do are seen without scrolling."""
    tab.open(pages[name], *PHONE)
    low = "document.querySelector('{}')?.getBoundingClientRect().bottom ?? 0"
    assert 0 < tab.run(low.format("#answer")) < PHONE[1]
    assert tab.run(low.format(".caution")) < PHONE[1]
    if tab.run("!!document.getElementById('todo')"):
        assert tab.run(low.format("#todo")) < PHONE[1] / 2 + 100
        assert tab.run(low.format(".todo li")) < PHONE[1]


def test_many_reasons_do_not_push_it_off(tab: Browser, tmp_path: Path) -> None:
    """Twelve reasons of the usual length: five stand in front, the others behind."""
    site = with_extras(invented_site(FOLDER))
    why = tuple(f"S{n}, S{n + 1}, S{n + 2} and 4 more: nothing tests it" for n in range(12))
    verdict = replace(site.verdict, reasons=why)
    page = tmp_path / "many.html"
    page.write_text(page_text(replace(site, verdict=verdict)), "utf-8")
    tab.open(page, *PHONE)
    assert tab.run("document.querySelector('.todo li').getBoundingClientRect().bottom") < PHONE[1]
    words = " ".join(tab.run("document.getElementById('crew').innerText").split())
    assert all(reason in words for reason in why)


@each_page
def test_survey_and_office_are_short(tab: Browser, pages: dict[str, Path], name: str) -> None:
    """On a phone four findings with their decisions and a line for each table, then no more."""
    for view, screens in (("survey", 6.5), ("office", 2.0)):
        tab.open(pages[name], *PHONE, view)
        assert tab.run("document.documentElement.scrollHeight") < screens * PHONE[1]
        assert tab.run(f"document.querySelectorAll('#{view} details').length") >= 4
        top, *_ = tab.run(
            f"(d => {{ d.querySelector('summary').click(); return [d.open]; }})"
            f"([...document.querySelectorAll('#{view} details')].find(d => !d.open))"
        )
        assert top is True


def test_a_link_to_what_is_folded_opens_it(tab: Browser, pages: dict[str, Path]) -> None:
    """The address of a note, which stands in a fold, leads to it."""
    tab.open(pages["fire_station"], *PHONE, "survey")
    (last,) = tab.run("[[...document.querySelectorAll('article')].at(-1).id]")
    seen = f"document.getElementById('{last}').getClientRects().length"
    tab.open(pages["fire_station"], *PHONE, last)
    assert tab.run(seen) == 1


@each_size
@each_page
def test_no_name_stands_over_another_at_any_zoom(
    tab: Browser, pages: dict[str, Path], name: str, size: tuple[int, int]
) -> None:
    """From the whole site inwards, at two places, and with shots named and one chosen."""
    tab.open(pages[name], *size, "plan")
    seen = []
    for step in range(7):
        seen.append(len(tab.run(NAMES)))
        assert tab.run(NAMES_OVER_NAMES) == [], step
        if step == 2:  # off the middle, onto a mark
            first = "document.querySelector('#labels .label').textContent"
            tab.run(f"document.getElementById('find').value = {first}")
            tab.run("document.getElementById('find-form').requestSubmit()")
            tab.run(WAIT)
            assert tab.run(NAMES_OVER_NAMES) == []
        tab.run("document.getElementById('zoom-in').click()")
        tab.run(WAIT)
    assert max(seen) > 7


def test_the_names_of_sixty_marks_are_placed_the_same_each_time(
    tab: Browser, pages: dict[str, Path]
) -> None:
    """Opened twice the plan is the same; what had no room appears as one zooms in."""
    pictures = []
    for _ in range(2):
        tab.open(pages["crowded"], *PHONE, "plan")
        pictures.append(tab.run(NAMES))
    assert pictures[0] == pictures[1]
    marks = "[...document.querySelectorAll('#labels .label.layer-names')]"
    assert tab.run(f"{marks}.length") == 60
    shown = f"{marks}.filter(e => e.getClientRects().length).map(e => e.textContent)"
    before = set(tab.run(shown))
    assert 5 < len(before) < 60
    tab.run("document.getElementById('find').value = 'CP1'")  # in the middle of the crowd
    tab.run("document.getElementById('find-form').requestSubmit()")
    for _ in range(5):
        tab.run("document.getElementById('zoom-in').click()")
        tab.run(WAIT)
    assert len(set(tab.run(shown)) - before) > 5


def test_setups_keep_their_names(tab: Browser, pages: dict[str, Path]) -> None:
    """The setups are named on a phone as on a desk, whatever stands around them."""
    for size in (PHONE, DESKTOP):
        tab.open(pages["fire_station"], *size, "plan")
        assert {"S1", "S2", "S3", "S4", "S5"} <= {name for name, *_ in tab.run(NAMES)}


def test_names_are_apart_without_a_script_too(tab: Browser, pages: dict[str, Path]) -> None:
    """As the page was made: the places that were chosen for the whole drawing."""
    for name in NAMED:
        tab.open(pages[name], *DESKTOP, scripts=False)
        assert tab.run(NAMES_OVER_NAMES) == []
        assert len(tab.run(NAMES)) > 5


def test_names_are_apart_on_paper(tab: Browser, pages: dict[str, Path]) -> None:
    """Printed from a phone: the plan is laid out anew for a sheet 180 mm wide."""
    for name in NAMED:
        tab.open(pages[name], 680, 1000, "survey")
        tab.run("dispatchEvent(new Event('beforeprint'))")
        dress(tab, media="print")
        assert tab.run(NAMES_OVER_NAMES) == []
        assert len(tab.run(NAMES)) > 5
        tab.run("dispatchEvent(new Event('afterprint'))")
        dress(tab)
        assert tab.run("document.querySelectorAll('#survey details[open]').length") == 0


@pytest.mark.parametrize("scripts", [True, False])
def test_paper_has_what_is_folded_in_black_on_white(
    tab: Browser, pages: dict[str, Path], *, scripts: bool
) -> None:
    """Every table and every evidence is on paper, from a device in the dark as well."""
    dress(tab, "dark", "print")
    tab.open(pages["fire_station"], 680, 1000, "crew", scripts=scripts)
    tables = tab.run(
        "[...document.querySelectorAll('section table, .facts')].map(e => e.clientHeight)"
    )
    assert len(tables) > 15
    assert all(high > 10 for high in tables)
    ground = "getComputedStyle(document.body).backgroundColor"
    assert tab.run(ground) == "rgb(255, 255, 255)"


def test_the_page_is_dark_where_the_device_is(tab: Browser, pages: dict[str, Path]) -> None:
    """Ground and ink change places by prefers-color-scheme; the haloes of names too."""
    colours = (
        "[getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color,"
        " getComputedStyle(document.querySelector('#map text')).stroke]"
    )
    tab.open(pages["fire_station"], *PHONE)
    light = tab.run(colours)
    dress(tab, "dark")
    tab.open(pages["fire_station"], *PHONE)
    dark = tab.run(colours)
    assert light == ["rgb(255, 255, 255)", "rgb(21, 25, 29)", "rgb(255, 255, 255)"]
    assert dark == ["rgb(20, 25, 29)", "rgb(236, 239, 241)", "rgb(20, 25, 29)"]


@pytest.mark.parametrize("clipboard", [True, False])
def test_one_tap_copies_a_decision(
    tab: Browser, pages: dict[str, Path], *, clipboard: bool
) -> None:
    """The whole line, to the letter, with or without a clipboard that a page may write to."""
    tab.open(pages["fire_station"], *PHONE, "survey")
    if clipboard:
        tab.run("navigator.clipboard.writeText = async (text) => { window.copied = text; }")
    else:
        tab.run("Object.defineProperty(navigator, 'clipboard', { value: undefined })")
        tab.run(
            "document.execCommand = () => { window.copied = `${getSelection()}`; return true; }"
        )
    button = "document.querySelector('.decision button')"
    tab.run(f"{button}.scrollIntoView({{ block: 'center' }})")
    x, y = tab.run(
        f"(r => [r.x + r.width / 2, r.y + r.height / 2])({button}.getBoundingClientRect())"
    )
    tab.click(x, y)
    tab.run(WAIT)
    line = tab.run("document.querySelector('.decision code').textContent")
    assert line.startswith("- {accept: F-")
    assert tab.run("window.copied") == line
    assert tab.run("document.getElementById('said').textContent") == "Copied"
    assert tab.run(f"{button}.textContent").startswith("Copied")


def test_a_tap_on_a_disputed_point_shows_both_places(tab: Browser, pages: dict[str, Path]) -> None:
    """Found by name: two rows with the coordinates of each story; both are drawn and named."""
    tab.open(pages["disputed"], *PHONE, "plan")
    tab.run("document.getElementById('find').value = 'M3'")
    tab.run("document.getElementById('find-form').requestSubmit()")
    tab.run(WAIT)
    rows = tab.run(
        "[...document.querySelectorAll('#info table')][0].innerText.split('\\n').slice(1)"
    )
    assert [row.split("\t")[0] for row in rows] == ["A", "B"]
    assert "moved" in rows[1]
    assert len(tab.run("[...document.querySelectorAll('#map .region')].map(e => e.tagName)")) == 4
    for _ in range(2):
        tab.run("document.getElementById('zoom-in').click()")
        tab.run(WAIT)
    assert {"M3 A", "M3 B"} <= {name for name, *_ in tab.run(NAMES)}
    tab.open(pages["disputed"], *DESKTOP, "plan")
    shown = {name for name, *_ in tab.run(NAMES)}
    assert {"M3 A", "M3 B", "M4 A high", "M4 B low"} <= shown


CHECKER = importlib.util.find_spec("axe_core_python")


@pytest.mark.skipif(CHECKER is None, reason="axe-core is not installed here")
@pytest.mark.parametrize(("size", "scheme"), [(PHONE, "dark"), (DESKTOP, "light")])
def test_no_serious_fault_of_accessibility(
    tab: Browser, pages: dict[str, Path], size: tuple[int, int], scheme: str
) -> None:
    """axe-core, the open accessibility checker, finds nothing serious with everything open."""
    assert CHECKER is not None and CHECKER.origin is not None
    checker = (Path(CHECKER.origin).parent / "axe.min.js").read_text(encoding="utf-8")
    dress(tab, scheme)
    for view in VIEWS:
        tab.open(pages["small"], *size, view)
        tab.run(OPEN_ALL)
        tab.run(f"{checker}; 0")
        found: Any = json.loads(
            tab.run(
                "axe.run(document).then(found => JSON.stringify({ passes: found.passes.length,"
                " faults: found.violations.map(v => [v.id, v.impact, v.nodes[0].html]) }))"
            )
        )
        assert found["passes"] > 20
        assert [fault for fault in found["faults"] if fault[1] in ("serious", "critical")] == []
