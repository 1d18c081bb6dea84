"""report.html as a document: whole, self-contained, escaped, small, the same each time."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.write.page_reading import Element, plan_data, read_page, table_cells
from tests.write.page_sites import HOSTILE, hostile_site, invented_site, with_extras
from tests.write.sample import make_job, make_site
from tieup.model.reconciliation import Reconciliation
from tieup.write.cautions import CAUTIONS
from tieup.write.page import page_text
from tieup.write.page.render import TEMPLATES

FOLDER = Path("yard")
MEGABYTE = 1_000_000  # bytes
NAMESPACE = "http://www.w3.org/2000/svg"  # a name, no address that anything is loaded from
READABLE, VISIBLE = 4.5, 3.0  # WCAG 2.1, success criteria 1.4.3 and 1.4.11


def sites() -> dict[str, Reconciliation]:
    """Return sites of every sort."""
    day = invented_site(FOLDER)
    blank = {name: np.asarray(column)[:0] for name, column in day.coordinates.items()}
    nowhere = {**day.coordinates, "northing": np.full(300, np.nan)}
    return {
        "small": make_site(FOLDER),
        "ties": make_site(FOLDER, ties=True),
        "feet": make_site(FOLDER, job=make_job(FOLDER, length_unit="ftUS")),
        "day": day,
        "extras": with_extras(day),
        "hostile": hostile_site(FOLDER),
        "no points": replace(day, coordinates=blank),
        "no places": replace(
            day, coordinates=nowhere, setups={**day.setups, "northing": np.full(5, np.nan)}
        ),
        "no ties": replace(day, ties={n: np.asarray(c)[:0] for n, c in day.ties.items()}),
        "no rows": replace(
            day, observations={n: np.asarray(c)[:0] for n, c in day.observations.items()}
        ),
    }


SITES = sites()
each_site = pytest.mark.parametrize("site", SITES.values(), ids=SITES.keys())


@each_site
def test_the_page_is_well_formed(site: Reconciliation) -> None:
    """Every element is closed, no id stands twice, every reference inside has its target."""
    page = read_page(page_text(site))
    ids = [element.attributes["id"] for element in page.all() if "id" in element.attributes]
    assert len(set(ids)) == len(ids), [name for name in ids if ids.count(name) > 1]
    for element in page.all():
        for name in ("href", "for", "list", "aria-labelledby", "aria-describedby"):
            target = element.attributes.get(name, "").removeprefix("#")
            assert not target or target in ids or target == "plan", (element.tag, name, target)
    assert page.one("html").attributes["lang"] == "en"
    assert len(page.all("h1")) == 1
    assert str(page.one("head").one("title").children[0]).strip()


@each_site
def test_nothing_is_loaded_from_anywhere(site: Reconciliation) -> None:
    """No address stands anywhere in the page, and its own policy forbids every load."""
    text = page_text(site)
    page = read_page(text)
    for element in page.all():
        assert element.tag not in ("link", "img", "iframe", "object", "embed", "base", "image")
        assert "src" not in element.attributes
        assert element.attributes.get("href", "#").startswith("#")
        assert not any(name.startswith("on") for name in element.attributes)
    assert not re.findall(r"url\(|@import", text)
    assert set(re.findall(r"\w+://[^\s\"'<]*", text)) <= {NAMESPACE}
    policy = next(m for m in page.all("meta") if "http-equiv" in m.attributes).attributes
    assert policy["content"].startswith("default-src 'none';")


@each_site
def test_the_policy_names_the_one_script_that_may_run(site: Reconciliation) -> None:
    """The hash in the policy is that of the page's own script, as CSP level 3 computes it."""
    page = read_page(page_text(site))
    scripts = [s for s in page.all("script") if "type" not in s.attributes]
    digest = base64.b64encode(hashlib.sha256(scripts[0].text.encode()).digest()).decode()
    policy = next(m for m in page.all("meta") if "http-equiv" in m.attributes)
    assert len(scripts) == 1
    assert f"script-src 'sha256-{digest}'" in policy.attributes["content"]


@each_site
def test_the_cautions_stand_on_every_page(site: Reconciliation) -> None:
    """Someone can be hurt by a wrong grade: the cautions stay, and paving is named up front."""
    page = read_page(page_text(site))
    foot = page.one("footer").text
    assert all(caution in foot for caution in CAUTIONS)
    assert site.job.tolerances.source in foot
    assert "before excavating, paving or setting structure" in page.one(id="crew").text


@each_site
def test_the_same_site_gives_the_same_bytes(site: Reconciliation) -> None:
    """Nothing of the clock, the machine or the order of a set is on the page."""
    assert page_text(site) == page_text(site)


def test_hostile_texts_are_shown_and_run_nothing() -> None:
    """Names with markup, quotes, formulas, right-to-left text and emoji come through as text."""
    page = read_page(page_text(SITES["hostile"]))
    assert len(page.all("script")) == 2
    assert not page.all("img")
    assert {element.tag for element in page.all("b")} == {"b"}
    assert plan_data(page)["name"][: len(HOSTILE)] == list(HOSTILE)
    office, survey = page.one(id="office").text, page.one(id="survey").text
    for text in HOSTILE:
        assert text in survey
        assert text in office
    assert "49" not in page.one(id=SITES["hostile"].findings[8].id).text
    assert page.one("p", look="job").text == HOSTILE[1]


def test_names_keep_their_own_direction() -> None:
    """A right-to-left name cannot turn the words around it: it stands in an isolate."""
    page = read_page(page_text(SITES["hostile"]))
    for text in HOSTILE[5:7]:
        holders = [e for e in page.all() if text in [c for c in e.children if isinstance(c, str)]]
        assert {holder.tag for holder in holders} <= {"bdi", "text", "title", "td"}
        assert any(holder.tag == "bdi" for holder in holders)


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=30))
def test_any_name_comes_through(name: str) -> None:
    """Whatever a point is called, the page has it to the letter, in its tables and its data."""
    site = make_site(FOLDER)
    points = np.array([name, "0101"], dtype=object)
    ties = {**site.ties, "point": points}
    page = read_page(
        page_text(replace(site, coordinates={**site.coordinates, "point": points}, ties=ties))
    )
    rows = page.one(id="survey").all("a", **{"data-point": name})
    assert rows
    assert all(row.one("bdi").children == [name] for row in rows)
    assert plan_data(page)["name"] in ([name, "0101"], [])


@pytest.mark.parametrize(("points", "setups"), [(300, 5), (2000, 12)])
def test_the_page_is_small(points: int, setups: int) -> None:
    """A page of 2,000 points stays under 1 MB."""
    site = with_extras(invented_site(FOLDER, points=points, setups=setups, shots=3))
    assert len(page_text(site).encode()) < MEGABYTE


def test_a_large_site_is_capped_and_says_so() -> None:
    """Of 12,000 points the page shows a part, says how many, and says where the rest is."""
    site = invented_site(FOLDER, points=12_000, setups=450, shots=4)
    text = page_text(site)
    page = read_page(text)
    assert len(text.encode()) < 1.4 * MEGABYTE
    shown = len(plan_data(page)["name"])
    assert shown <= 2500
    notes = " ".join(note.text for note in page.all("p", look="note"))
    assert f"{shown:,} of 12,000 points are shown here" in notes
    assert "all of them are in coordinates.csv" in notes
    assert "200 of 450 setups are shown here" in notes
    ties = len(site.ties["point"])
    assert f"300 of {ties:,} ties are shown here, the worst first" in notes
    drawn = [note.text for note in page.all("figcaption")]
    assert all("residuals are drawn" in words for words in drawn)
    assert {row["Mark"] for row in table_cells(page, "ties-table")} >= {"M2", "CP1"}


def luminance(colour: str) -> float:
    """Return the relative luminance of #rrggbb: WCAG 2.1, definition of relative luminance."""
    colour = "#" + "".join(2 * c for c in colour[1:]) if len(colour) == 4 else colour
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours: WCAG 2.1."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def themes() -> dict[str, dict[str, str]]:
    """Return the named colours of the style by light: those of the sun, those of the dark."""
    style = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    light, dark = (dict(re.findall(r"--(\w+): (#\w+)", part)) for part in style.split("@media")[:2])
    assert set(light) == set(dark)
    return {"light": light, "dark": dark}


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_everything_can_be_read_in_the_sun_and_in_the_dark(theme: str) -> None:
    """Every colour of text has a contrast of 4.5 on every ground, drawn things one of 3."""
    named = themes()[theme]
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.1: the largest ratio
    for text in ("ink", "soft", "accent"):
        for ground in ("paper", "wash"):
            assert contrast(named[text], named[ground]) >= READABLE, (text, ground)
    assert contrast(named["sight"], named["paper"]) >= VISIBLE
    style = (TEMPLATES / "page.css").read_text(encoding="utf-8")
    rules = style.partition("* {")[2]
    assert not re.findall(r": [^;{}]*#[0-9a-f]{3}", rules), "a colour that no theme has"


def views_of(page: Element) -> list[str]:
    """Return the ids of the views in their order."""
    return [section.attributes["id"] for section in page.all("section", look="view")]


def test_the_views_are_there_without_a_script() -> None:
    """Three views and the plan stand in the page as sections that the links lead to."""
    page = read_page(page_text(SITES["day"]))
    assert views_of(page) == ["crew", "plan", "survey", "office"]
    links = [link.attributes["href"] for link in page.one("nav").all("a")]
    assert links == ["#crew", "#survey", "#office", "#plan"]
    assert views_of(read_page(page_text(SITES["no places"]))) == ["crew", "survey", "office"]


def test_no_verdict_rests_on_colour_alone() -> None:
    """Beside every shape stands its word, and every word has a shape."""
    page = read_page(page_text(SITES["extras"]))
    verdicts = page.all("span", look="verdict")
    assert len(verdicts) > 20
    for verdict in verdicts:
        assert verdict.text.strip()
        shape = verdict.one("svg").one("use").attributes["href"]
        assert page.one(id=shape.removeprefix("#"))
    shapes = {verdict.one("use").attributes["href"]: verdict.text.strip() for verdict in verdicts}
    assert shapes["#shape-good"] != shapes["#shape-bad"] != shapes["#shape-open"]


def test_what_a_run_lacks_is_not_on_the_page() -> None:
    """Joints, pairs, control, rules: a section only where there is data, and then whole."""
    plain, full = (read_page(page_text(SITES[name])) for name in ("day", "extras"))
    for words in ("Joint by joint", "Setup against setup", "Strings across setups", "Rules"):
        assert words not in [heading.text for heading in plain.all() if heading.tag in ("h2", "h3")]
        assert words in [heading.text for heading in full.all() if heading.tag in ("h2", "h3")]
    assert [row["Result"] for row in table_cells(full, "rules-table")] == [
        "warn",
        "not checked",
        "pass",
    ]
    assert [row["Step"] for row in table_cells(full, "joints-table")] == ["1.2", "-6.1"]
    assert table_cells(full, "control-table")[0]["N"] == "14.1"
