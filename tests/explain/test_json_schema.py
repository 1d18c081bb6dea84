"""The JSON Schema of job.yaml, by the library jsonschema, beside what tieup itself takes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.endtoend.jobs import JOBS, SAMPLE, copy_sample
from tieup import cli
from tieup.config import load_job
from tieup.errors import ConfigError
from tieup.explain.json_schema import job_schema
from tieup.explain.pages import KEYS, named, rows

jsonschema = pytest.importorskip("jsonschema")
# A line of job.yaml and whether it may stand there.
LINES = [
    ("confidence: 0.99", True),
    ("confidence: 1", False),
    ("confidence: '0.99'", False),
    ("titel: Yard", False),
    ("title: 12", True),
    ("title: [a]", False),
    ("title:", True),
    ("tolerances: {horizontal: 0.01, elevation: 0.01}", True),
    ("tolerances: {horizontal: 0.01}", False),
    ("tolerances: {horizontal: 0, elevation: 0.01}", False),
    ("standing: all", True),
    ("standing: some", False),
    ("standing: [CP1]", True),
    ("rules: paving", False),
    ("instruments: {default: {distance: [1.5, 2]}}", True),
    ("instruments: {default: {distance: [1.5]}}", False),
    ("instruments: {default: {distance: [1.5, 2, 3]}}", False),
    ("instruments: {default: {colour: 2}}", False),
    ("header: yes", True),
    ("header: 2", False),
    ("skip_rows: 1", True),
    ("skip_rows: 1.5", False),
    ("columns: {point: 0}", False),
    ("columns: {setup: S, point: P, zenith: {column: Z, unit: gon}}", True),
    ("columns: {zenith: {column: zenith, unit: m}}", False),
    ("words: {face: {I: 1, II: '2'}}", True),
    ("words: {face: {I: 3}}", False),
    ("datum: fixed", False),
    ("decisions: [{set: {setup: S2, target_height: 5}, reason: a}]", True),
    ("decisions: [{set: {setup: S2}, reason: a}]", False),
    ("decisions: [{set: {setup: S2, target_height: }, reason: a}]", False),
    ("decisions: [{set: {target_height: 5}, reason: a}]", False),
    ("decisions: [{exclude: {setup: S2}, reason: a}]", True),
    ("decisions: [{exclude: {}, reason: a}]", False),
    ("tolerances: pavng", False),
    ("tolerances: topographic", True),
    ("rules: [nsw-g7]", False),
    ("rules: [nsw-g71]", True),
    ("rules: [own.yaml]", True),
    ("rules: [no.txt]", False),
    ("audit: raw-data", True),
    ("audit: raw", False),
    ("audit: own.yaml", True),
    ("decisions: [{accept: F-8f6740}]", False),
    ("decisions: [{accept: F-8f6740, reason: a}]", True),
    ("decisions: [{accept: F-8f6740, by: b, reason: ' '}]", False),
    ("decisions: [{keep: '', reason: a}]", False),
    ("decisions: [{keep: F-8f6740, accept: F-8f6741, reason: a}]", False),
    ("decisions: [{by: b, reason: a}]", False),
    ("decisions: [{rename: {point: P}, reason: a}]", False),
    ("decisions: [{rename: {point: P}, to: Q, reason: a}]", True),
    ("decisions: [{rename: {setup: S2}, to: Q, reason: a}]", False),
    ("decisions: [{exclude: {setup: S2}, to: Q, reason: a}]", False),
    ("decisions: [{exclude: {line: raw/s2.csv}, reason: a}]", False),
    ("decisions: [{exclude: {line: 'raw/s2.csv:4'}, reason: a}]", True),
    ("decisions: [{set: {setup: S2, point: P, instrument_height: 5}, reason: a}]", False),
    ("decisions: [{set: {setup: S2, instrument_height: 5}, reason: a}]", True),
    ("decisions: [{set: {setup: S2, face: 3}, reason: a}]", False),
    ("decisions: [{set: {setup: S2, station: ''}, reason: a}]", False),
    ("derived: [{point: D}]", False),
    ("derived: [{point: D, mean: [A, B]}]", True),
    ("derived: [{point: D, mean: [A]}]", False),
    ("derived: [{point: D, mean: [A, B], fall: 2}]", False),
    ("derived: [{point: D, intersect: [[A, B], [C]]}]", False),
    ("derived: [{point: D, from: A, elevation: 1, by: b}]", False),
    ("derived: [{point: D, from: A, elevation: 1, by: b, reason: a}]", True),
    ("derived: [{string: D, offset: A, distance: 1}]", True),
    ("falls: [{from: A, to: B, minimum: 1}]", True),
    ("falls: [{from: A, minimum: 1}]", False),
    ("falls: [{along: A}]", False),
    ("falls: [{along: A, from: B, minimum: 1}]", False),
    ("surfaces: {y: {limits: [{set: asphalt-drainage}]}}", True),
    ("surfaces: {y: {limits: [{set: asphalt}]}}", False),
    ("surfaces: {y: {limits: [{set: accessible-route}]}}", False),
    ("surfaces: {y: {limits: [{set: accessible-route, along: A}]}}", True),
    ("surfaces: {y: {}, z: {against: {surface: y, thickness: 1}}}", True),
    ("surfaces: {y: {}, z: {against: {surface: y, tolerance: 1}}}", False),
    ("surfaces: {y: {}, z: {against: {thickness: 1}}}", False),
    ("surfaces: {z: {against: {}}}", True),
    ("grid: {crs: 'EPSG:25832', scale: 1}", False),
    ("instruments: {default: {reference: {carrier: 0.6}}}", False),
    ("instruments: {default: {reference: {carrier: 0.6, refractivity: 280}}}", True),
    ("instruments: {default: {reference: {carrier: 0.6, temperature: 9}}}", False),
    ("datum: local", False),
]


def valid(text: str) -> bool:
    """Return whether jsonschema finds no fault."""
    found: bool = jsonschema.Draft202012Validator(job_schema()).is_valid(yaml.safe_load(text))
    return found


def taken(folder: Path, text: str) -> bool:
    """Return whether tieup takes a job.yaml."""
    (folder / "job.yaml").write_text(text, encoding="utf-8")
    try:
        load_job(folder)
    except ConfigError:
        return False
    return True


def test_the_command_prints_a_schema_that_is_one(capsys: pytest.CaptureFixture[str]) -> None:
    """It is what jsonschema calls a schema of draft 2020-12."""
    assert cli.outcome(["explain", "--schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema == job_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    assert cli.outcome(["explain", "--schema", "--page"]) == 2


@pytest.mark.parametrize("job", JOBS)
def test_the_sample_jobs_are_valid(job: str) -> None:
    """Every job.yaml that comes with the project."""
    assert valid((SAMPLE / job / "job.yaml").read_text(encoding="utf-8"))


def test_a_new_job_is_valid(tmp_path: Path) -> None:
    """`tieup new`: the file as it is."""
    assert cli.outcome(["new", str(tmp_path / "yard"), "--quiet"]) == 0
    assert valid((tmp_path / "yard" / "job.yaml").read_text(encoding="utf-8"))


@pytest.mark.parametrize(("line", "right"), LINES)
def test_both_take_and_refuse_the_same(tmp_path: Path, line: str, right: bool) -> None:
    """A wrong key, type or value is refused by the schema and by tieup; a right one by neither."""
    job = copy_sample("two_setups", tmp_path)
    (job / "own.yaml").touch()
    document = yaml.safe_load((job / "job.yaml").read_text(encoding="utf-8"))
    own = {k: v for k, v in document.items() if k not in ("columns", line.split(":")[0])}
    text = f"{yaml.safe_dump(own)}{line}\n"
    assert (valid(text), taken(job, text)) == (right, right)


def test_every_key_says_what_it_means() -> None:
    """Each key of the page of keys is described in the schema, in the same words."""

    def said(node: Any) -> set[str]:
        below = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
        own = {node["description"]} if isinstance(node, dict) and "description" in node else set()
        return own.union(*(said(child) for child in below if isinstance(child, dict | list)))

    # A name of one's own has no place for words; neither have the long forms of a column.
    told = {
        row[-1] for row in rows(KEYS) for key in named(row[0]) if not key.startswith("columns.")
    }
    assert len(told) > 80
    assert {text for text in told if text not in said(job_schema())} == set()
