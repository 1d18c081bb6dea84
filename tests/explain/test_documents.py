"""Every key of findings.json and run.json, and every action, against what the code writes."""

from __future__ import annotations

import ast
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.endtoend.jobs import ROOT, copy_sample
from tieup import cli
from tieup.config.schema import SCHEMA
from tieup.diagnose.kinds.catalogue import KINDS
from tieup.explain.document_entries import FINDINGS_DOCUMENT, finding_keys, run_keys
from tieup.explain.entries import entries
from tieup.explain.pages import ACTIONS, FINDING_KEYS, RUN_KEYS, named, rows
from tieup.model.finding import Finding, Place, Rival
from tieup.model.finding_kinds import FINDING_KINDS
from tieup.write.documents import finding_record
from tieup.write.folder import WRITERS

# Mappings whose keys are names of the job's own; those of a decision name rows.
NAMES = ("inputs", "settings", "redundancy", "unknown_columns", "sha256", "decisions.where")
GROUPS = ("scatter", "lists")  # mappings of mappings, told once for all names: scatter.*.times


def told(page: str) -> set[str]:
    """Return the keys that a page tells, each of which stands there once."""
    found = [key for row in rows(page) for key in named(row[0])]
    assert len(found) == len(set(found))
    return set(found)


def paths(value: Any, path: str = "") -> Iterator[str]:
    """Yield the path of every key below a value."""
    for child in value if isinstance(value, list) else ():
        yield from paths(child, path)
    if not isinstance(value, dict) or path in NAMES:
        return
    for key, child in value.items():
        place = f"{path}.{'*' if path in GROUPS else key}" if path else key
        yield from () if path in GROUPS else (place,)
        yield from paths(child, place)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Run a job that has something of everything: lists, turned azimuths, decisions, --also."""
    job = copy_sample("two_setups", tmp_path_factory.mktemp("job"))
    for path in sorted((job / "raw").glob("*.csv")):
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace(",direction,", ",azimuth,", 1), encoding="utf-8")
    (job / "levels.csv").write_text("from,to,difference,sd\nCP1,CP2,0,1000\n", encoding="utf-8")
    own = (
        'azimuths: file\nlevels: levels.csv\ndecisions:\n  - {exclude: {setup: S2, point: "201"}, '
        "by: office, reason: sketch}\n"
    )
    text = (job / "job.yaml").read_text(encoding="utf-8").replace("decisions:\n", own)
    (job / "job.yaml").write_text(text, encoding="utf-8")
    assert cli.outcome(["reconcile", str(job), "--quiet", "--also", "pnezd"]) < 2
    found: dict[str, Any] = json.loads((job / "out" / "run.json").read_text(encoding="utf-8"))
    return found


@pytest.mark.slow
def test_every_key_of_the_record_is_told_and_no_other(record: dict[str, Any]) -> None:
    """Keys inside of others too: page against a run that writes all of them."""
    assert record["azimuth_turns"] and record["decisions"] and record["lists"] and record["scatter"]
    own = {f"settings.tolerances.{key}" for key in record["settings"]["tolerances"]}
    own -= {"settings.tolerances.horizontal", "settings.tolerances.elevation"}  # of job.yaml
    assert {*paths(record)} | own == told(RUN_KEYS)
    assert set(run_keys()) == set(record)
    assert set(record["settings"]) <= set(SCHEMA.keys)


@pytest.mark.slow
def test_the_groups_that_are_told_by_name_are_those_of_the_run(record: dict[str, Any]) -> None:
    """What a text says of scatter, redundancy and lists names each of them."""
    says = {key: row[-1] for row in rows(RUN_KEYS) for key in named(row[0])}
    for key in ("scatter", "redundancy", "lists"):
        assert all(name in says[key] for name in record[key]), key


def test_every_key_of_a_finding_is_told_and_no_other() -> None:
    """Its own keys, and those of rivals and places."""
    rival = Rival("tape", "S1", ("CP1",), 4.0, separable=False)
    place = Place("CP1", "story", (1.0, 2.0, 3.0), (0.1, 0.1, 0.1))
    record = finding_record(Finding("tape", "note", rivals=(rival,), places=(place,)))
    found = {*paths(record)}
    assert {path for path in found if "." in path} == told(FINDING_KEYS)
    assert {path for path in found if "." not in path} == set(finding_keys())
    senses = {entry.word: entry for entry in reversed(entries()) if "findings" in entry.sort}
    for key in found:
        assert senses[key].says and senses[key].sort == f"key of {FINDINGS_DOCUMENT}", key
    assert FINDINGS_DOCUMENT in WRITERS


def actions(path: Path) -> Iterator[str]:
    """Yield the texts that a module hands on as ``action=``, either one of a choice."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.keyword) and node.arg == "action":
            value = node.value
            parts = [value.body, value.orelse] if isinstance(value, ast.IfExp) else [value]
            yield from (str(p.value) for p in parts if isinstance(p, ast.Constant))


def test_every_action_is_told_and_no_other() -> None:
    """Those of kinds of findings and of mistakes, and those that a module gives itself."""
    made = {kind.action for kind in (*FINDING_KINDS, *KINDS.values())}
    made |= {text for path in (ROOT / "tieup").rglob("*.py") for text in actions(path)}
    assert told(ACTIONS) == made - {""}
