"""Files for other programs stay back while the site does not tie; a draft says that it is one."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests.at_hand import LANDXML_XSD, needs_schema
from tests.write.exchange_site import content_of, hostile_site
from tests.write.sample import BAD_VERDICT, make_job, make_site
from tieup import cli
from tieup.model.answer import SiteVerdict
from tieup.model.job import Job
from tieup.model.reconciliation import Reconciliation
from tieup.write.exchange.dxf import dxf_text
from tieup.write.exchange.formats import FORMATS, Exchange, draft_words
from tieup.write.exchange.geo import geojson_text, geopackage_bytes
from tieup.write.exchange.landxml import landxml_text
from tieup.write.exchange.pnezd import pnezd_text
from tieup.write.folder import write_results

CLOCK = "2024-05-01T10:00:00+00:00"
PLAIN = {name for name, _ in FORMATS.values()}
DRAFTS = {"points.draft.txt", "site.draft.xml", "site.draft.geojson", "site.draft.gpkg"} | {
    "site.draft.dxf"
}
UNPROVED = SiteVerdict("unproved", ("1 setup is two-tie",))
WORDS = "DRAFT, not to be built on. The site does not tie yet: 1 of 2 ties fail; 1 to settle"


def written(site: Reconciliation, out: Path, *, draft: bool = False) -> set[str]:
    """Write the results with every format; return the names of those for other programs."""
    pytest.importorskip("ezdxf")
    write_results(site, out, written=CLOCK, also=Exchange(tuple(FORMATS), draft=draft))
    there = {path.name for path in out.iterdir()}
    assert there == set(json.loads((out / "run.json").read_text())["files"])
    return there & (PLAIN | DRAFTS)


@pytest.mark.parametrize("verdict", [BAD_VERDICT, UNPROVED])
def test_a_site_that_does_not_tie_sends_nothing(tmp_path: Path, verdict: SiteVerdict) -> None:
    """Neither failing nor unproved: the results are written, the files for others are not."""
    site = replace(hostile_site(tmp_path), verdict=verdict)
    assert written(site, tmp_path / "out") == set()
    assert (tmp_path / "out" / "coordinates.csv").exists()


def test_drafts_have_names_of_their_own_and_none_lingers(tmp_path: Path) -> None:
    """Only one kind lies in the folder, that of the last run; a refusal leaves neither."""
    good, out = hostile_site(tmp_path), tmp_path / "out"
    bad = replace(good, verdict=BAD_VERDICT)
    assert written(good, out) == PLAIN
    assert written(bad, out, draft=True) == DRAFTS
    assert written(good, out, draft=True) == PLAIN  # what ties is no draft
    assert written(bad, out) == set()


def test_every_draft_says_inside_that_it_is_one(tmp_path: Path) -> None:
    """First line, project and groups, features and layers: each format in its own way."""
    pytest.importorskip("ezdxf")
    site = replace(hostile_site(tmp_path), verdict=BAD_VERDICT)
    draft = draft_words(site)
    assert draft.startswith(WORDS)
    content = content_of(site, draft=draft)
    assert pnezd_text(content).startswith(f"# {draft}\n# point,northing,")
    document = json.loads(geojson_text(content))
    assert document["draft"] == draft
    assert {f["properties"]["draft"] for f in document["features"]} == {draft}
    path = tmp_path / "site.gpkg"
    path.write_bytes(geopackage_bytes(content))
    with closing(sqlite3.connect(path)) as database:
        layers = database.execute("SELECT identifier, description FROM gpkg_contents").fetchall()
        assert [name for name, _ in layers] == ["points_draft", "strings_draft"]
        assert all(words.startswith(draft) for _, words in layers)
        assert set(database.execute("SELECT draft FROM points_draft")) == {(draft,)}


@needs_schema
def test_a_draft_is_valid_landxml(tmp_path: Path) -> None:
    """By the published schema; project and groups bear the word."""
    etree = pytest.importorskip("lxml.etree")
    site = replace(hostile_site(tmp_path), verdict=BAD_VERDICT)
    root = etree.fromstring(landxml_text(content_of(site, draft=draft_words(site))).encode())
    assert root.find("{*}Project").get("desc") == draft_words(site)
    assert {group.get("name").split()[0] for group in root.findall("{*}CgPoints")} == {"DRAFT"}
    assert root.find("{*}PlanFeatures").get("name") == "DRAFT strings"
    validator = etree.XMLSchema(etree.parse(LANDXML_XSD))
    assert validator.validate(root), validator.error_log


def test_a_draft_is_a_sound_drawing(tmp_path: Path) -> None:
    """Every layer that holds something bears the word; ezdxf finds no fault."""
    pytest.importorskip("ezdxf")
    from ezdxf import recover

    site = replace(hostile_site(tmp_path), verdict=BAD_VERDICT)
    path = tmp_path / "site.dxf"
    path.write_bytes(dxf_text(content_of(site, draft=draft_words(site))).encode())
    drawing, auditor = recover.readfile(path)
    assert not auditor.errors and not auditor.fixes
    assert {entity.dxf.layer[:6] for entity in drawing.modelspace()} == {"DRAFT_"}
    assert dict(drawing.header.custom_vars)["tieup 1"] == draft_words(site)


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put an invented site that does not tie in the place of the solver."""

    def run(job: Job, progress: Callable[[str], None] | None = None) -> Reconciliation:
        return make_site(job.folder, ties=False)

    config, pipeline = ModuleType("tieup.config"), ModuleType("tieup.pipeline")
    config.load_job = lambda folder: make_job(folder)  # type: ignore[attr-defined]
    pipeline.run = run  # type: ignore[attr-defined]
    monkeypatch.setitem(__import__("sys").modules, "tieup.config", config)
    monkeypatch.setitem(__import__("sys").modules, "tieup.pipeline", pipeline)


def call(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, Any]:
    """Run `tieup reconcile --also pnezd`; return exit status and both streams."""
    status = cli.outcome(["reconcile", str(folder), "--also", "pnezd", *options])
    return status, capsys.readouterr()


@pytest.mark.usefixtures("failing")
def test_the_refusal_is_said_and_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1 as without the option; screen, or standard error where there is no screen, say why."""
    status, streams = call(tmp_path, capsys)
    screen = " ".join(streams.out.split())
    assert (status, streams.err) == (1, "")
    assert "Not written: points.txt. The site does not tie yet" in screen
    assert "add --draft" in screen
    status, streams = call(tmp_path, capsys, "--quiet")
    assert (status, streams.out) == (1, "")
    assert streams.err.startswith("Not written: points.txt.")
    status, streams = call(tmp_path, capsys, "--json")
    record = json.loads(streams.out)
    assert (status, record["exchange"]["refused"]) == (1, ["points.txt"])
    assert "points.txt" not in record["files"]
    assert not (tmp_path / "out" / "points.txt").exists()


@pytest.mark.usefixtures("failing")
def test_drafts_are_written_where_they_are_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1 all the same; the screen names the draft; --draft without --also is a wrong call."""
    status, streams = call(tmp_path, capsys, "--draft")
    assert status == 1
    assert "points.draft.txt" in streams.out
    assert "Not written" not in streams.out
    assert (tmp_path / "out" / "points.draft.txt").read_text().startswith("# DRAFT")
    assert cli.outcome(["reconcile", str(tmp_path), "--draft"]) == 2
