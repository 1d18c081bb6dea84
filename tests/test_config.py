"""job.yaml is read strictly: every key, its kind and its line; all problems at once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tieup.config import load_job
from tieup.config.schema import SCHEMA
from tieup.config.tolerances_section import read_class
from tieup.config.value_shapes import Either, ListOf, Named, Section
from tieup.data import data_path
from tieup.errors import ConfigError
from tieup.model.job import Job
from tieup.model.settings import Datum, Instrument, Precision
from tieup.read.openable import unreadable_as

ARC_SECOND = np.pi / 648_000
UNITS = "units: {angle: deg, length: m}\n"
RAW = "setup,point,distance\nS1,P1,1\n"

# The example of the contract, key by key.
EXAMPLE = """\
title: Fire station yard
units: {angle: dms, length: m}       # must be given
raw: [raw/*.csv]
control: control.csv
datum: control                        # control | free | local
local: {point: S1, northing: 5000, easting: 5000, elevation: 100, toward: CP1, azimuth: 0}
instruments:
  default: {direction: 2, zenith: 2, distance: [1.5, 2.0]}   # arc seconds, arc seconds, mm + ppm
centring: {instrument: 0.5, target: 1.0}                     # mm
heights: {instrument: 1.0, target: 1.0}                      # mm, 1 sd
atmosphere: {refraction: 0.13}
tolerances: paving
confidence: 0.95
decisions: []
"""


def load(folder: Path, text: str | bytes, *, control: bool = True) -> Job:
    """Write a job with one raw file and a control list, and load it."""
    (folder / "raw").mkdir(exist_ok=True)
    (folder / "raw" / "a.csv").write_text(RAW, encoding="utf-8")
    if control:
        header = "point,northing,easting,elevation"
        (folder / "control.csv").write_text(f"{header}\nCP1,1,2,3\n", encoding="utf-8")
    content = text if isinstance(text, bytes) else text.encode("utf-8")
    (folder / "job.yaml").write_bytes(content)
    return load_job(folder)


def problems(folder: Path, text: str | bytes, **options: bool) -> tuple[str, ...]:
    """Return the problems of a job that is refused."""
    with pytest.raises(ConfigError) as caught:
        load(folder, text, **options)
    return caught.value.problems


def test_the_example_of_the_contract_is_what_the_defaults_are(tmp_path: Path) -> None:
    """A job that states only its units means the same as the full example."""
    full = load(tmp_path, EXAMPLE)
    short = load(tmp_path, "units: {angle: dms, length: m}\n")
    assert full.precision == short.precision == Precision()
    assert full.tolerances == short.tolerances
    assert full.datum == short.datum == Datum("control")
    assert (full.title, short.title) == ("Fire station yard", tmp_path.name)
    assert {**full.resolved, "title": ""} == {**short.resolved}
    assert full.raw_files == short.raw_files == (tmp_path.resolve() / "raw" / "a.csv",)
    assert full.control_file == short.control_file == tmp_path.resolve() / "control.csv"
    assert (full.refraction, full.confidence, full.control_sd) == (0.13, 0.95, 0.0)


def test_every_value_comes_out_in_si(tmp_path: Path) -> None:
    """Arc seconds, mm, ppm and survey feet become rad and m."""
    text = """\
units: {angle: gon, length: ftUS}
control_sd: 0.01
datum: local
local: {point: "0101", northing: 100, easting: 200, elevation: 10, toward: 7, azimuth: 100}
instruments:
  TS1: {direction: 5, distance: [2, 3]}
centring: {instrument: 0.7}
heights: {target: 2}
tolerances: {horizontal: 0.02, elevation: 0.01}
levels_sd: 3
"""
    job, foot = load(tmp_path, text), 1200 / 3937
    assert job.control_sd == pytest.approx(0.01 * foot)
    assert job.precision.instruments["TS1"] == Instrument(
        pytest.approx(5 * ARC_SECOND), pytest.approx(2 * ARC_SECOND), pytest.approx(0.002), 3.0
    )
    assert job.precision.instruments["default"] == Instrument()  # always there
    assert job.precision.centring_instrument == pytest.approx(0.0007)
    assert job.precision.height_target == pytest.approx(0.002)
    assert job.tolerances.horizontal == pytest.approx(0.02 * foot)
    assert job.levels_sd == pytest.approx(0.003)
    assert job.datum.local is not None
    assert (job.datum.local.point, job.datum.local.toward) == ("0101", "7")
    assert job.datum.local.northing == pytest.approx(100 * foot)
    assert job.datum.local.azimuth == np.pi / 2


def test_resolved_is_the_whole_job_as_json(tmp_path: Path) -> None:
    """run.json can hold it, and it has every key of the schema, in the job's own units."""
    job = load(tmp_path, UNITS.replace("m}", "ft}"))
    assert json.loads(json.dumps(job.resolved)) == job.resolved
    assert set(job.resolved) == set(SCHEMA.keys)
    assert job.resolved["tolerances"]["horizontal"] == pytest.approx(0.006 / 0.3048, abs=1e-8)
    assert job.resolved["control"] == "control.csv"


def test_without_control_the_job_is_free(tmp_path: Path) -> None:
    """No control list: a free job; stated datum: control without one is a contradiction."""
    job = load(tmp_path, UNITS, control=False)
    assert (job.control_file, job.datum, job.resolved["datum"]) == (None, Datum("free"), "free")
    (problem,) = problems(tmp_path, f"{UNITS}datum: control\n", control=False)
    assert problem.startswith("job.yaml:2: datum is control, and there is no control.csv")


def test_raw_files_are_sorted_and_each_once(tmp_path: Path) -> None:
    """Two patterns that match one file, and folders below, in the order of their paths."""
    for name in ("raw/b.csv", "raw/day/c.csv", "a.txt"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(RAW, encoding="utf-8")
    job = load(tmp_path, f'{UNITS}raw: ["raw/*.csv", raw/b.csv, "raw/**/*.csv", a.txt]\n')
    names = [path.relative_to(job.folder).as_posix() for path in job.raw_files]
    assert names == ["a.txt", "raw/a.csv", "raw/b.csv", "raw/day/c.csv"]


def test_decisions_are_read_with_their_lines(tmp_path: Path) -> None:
    """The five verbs of the contract; names as written, lengths in metres."""
    text = f"""{UNITS.replace("m}", "ft}")}decisions:
  - {{accept: F-7c1e, by: office, reason: "book says 1.400"}}
  - exclude: {{setup: S2, point: 0101, kind: zenith}}
    reason: pole slipped
  - {{exclude: {{line: "raw/s2.csv:14"}}, reason: torn page}}
  - {{set: {{setup: S3, instrument_height: 5}}, reason: book}}
  - reason: book
    set: {{setup: S2, point: CP4, target_height: 10, prism_constant: -30, face: 2}}
  - {{set: {{setup: S2, station: CP9}}, reason: sketch}}
  - {{rename: {{setup: S2, point: "101"}}, to: CP1, reason: sketch}}
  - {{keep: F-19a0, reason: seen}}
"""
    found = load(tmp_path, text).decisions
    assert [(d.verb, d.line) for d in found] == [
        ("accept", 3), ("exclude", 4), ("exclude", 6), ("set", 7), ("set", 8), ("set", 10),
        ("rename", 11), ("keep", 12),
    ]  # fmt: skip
    assert (found[0].finding, found[0].by, found[0].reason) == (
        "F-7c1e", "office", "book says 1.400",
    )  # fmt: skip
    assert found[1].where == {"setup": "S2", "point": "0101", "kind": "zenith"}
    assert found[1].reason == "pole slipped"
    assert found[2].where == {"line": "raw/s2.csv:14"}
    assert found[3].values == {"instrument_height": pytest.approx(1.524)}
    assert found[4].where == {"setup": "S2", "point": "CP4"}
    assert found[4].values == {
        "target_height": pytest.approx(3.048), "prism_constant": pytest.approx(-0.030), "face": 2.0
    }  # fmt: skip
    assert (found[5].values, found[5].texts) == ({}, {"station": "CP9"})
    assert (found[6].where, found[6].to) == ({"setup": "S2", "point": "101"}, "CP1")
    assert found[7].finding == "F-19a0"


ACCEPT = "- {accept: F-1, reason: a}"
SET = "- {set: {setup: S1, instrument_"
RENAME = "- {rename: {setup: S1, point: A}, to: "
WRONG = [
    # what follows the units (line 2 on), line, what the message says
    ("titel: x", 2, "titel is not a key here. Did you mean title?"),
    ("\n# c\natmosphere:\n  refraction_coeficient: 1", 5, "Did you mean refraction?"),
    ("refraction: 0.13", 2, "Did you mean atmosphere: {refraction: ...}?"),
    ("frobnicate: 1", 2, "Known are title, units, raw"),
    ("title: a\ntitle: b", 3, "title is there twice, first on line 2"),
    ("title: [a]", 2, "title is a list. Expected a text"),
    ("raw: raw/*.csv", 2, 'raw is "raw/*.csv". Expected a list'),
    ("raw: []", 2, "raw names no file"),
    ("raw:\n  - raw/a.csv\n  - raw/none*.csv", 4, 'raw 2 is "raw/none*.csv", and no file matches'),
    ("raw: [../a.csv]", 2, "outside the job folder"),
    ("raw: [raw/../../a.csv]", 2, "outside the job folder"),
    ("raw: [/etc/passwd]", 2, "outside the job folder"),
    ("control: ../control.csv", 2, "outside the job folder"),
    ("control: other.csv", 2, "there is no such file"),
    ("levels: levels.csv", 2, "levels is \"levels.csv\", and there is no such file"),
    ("tapes: raw", 2, "which is a folder"),
    ("datum: fixed", 2, "datum is \"fixed\". Expected one of control, free, local"),
    ("datum: local", 2, "Expected local: {point: S1, toward: CP1, azimuth: 0}"),
    ("datum: local\nlocal: {point: S1}", 3, "local.toward is missing"),
    ("datum: local\nlocal: {point: A, toward: B, azimuth: 4x}", 3, 'local.azimuth "4x" is not a'),
    ("datum: local\nlocal: {point: A, toward: B, azimuth: 500}", 3, "local.azimuth is 500."),
    ("datum: local\nlocal: {point: A, toward: B, azimuth: 1e300}", 3, "local.azimuth"),
    ("control_sd: -0.01", 2, "control_sd is -0.01. Expected a number from 0"),
    ("control_sd: 2 mm", 2, 'control_sd is "2 mm". Expected a number'),
    ("instruments: {default: {direction: 0}}", 2, "a number from 0.001 and up to 3600"),
    ("instruments: {default: {zenith: -2}}", 2, "instruments.default.zenith is -2"),
    ("instruments: {default: {distance: 2}}", 2, "Expected a list in brackets"),
    ("instruments: {default: {distance: [2]}}", 2, "Expected a list in brackets"),
    ("instruments: {default: {distance: [0, 0]}}", 2, "from 0.001"),
    ("instruments: {default: {distance: [2, .inf]}}", 2, 'is ".inf". Expected a number'),
    ("instruments: {TS1: {directoin: 2}}", 2, "Did you mean direction?"),
    ("instruments: [TS1]", 2, "instruments is a list"),
    ("instruments:\n  TS1:\n    zenith: 2\n    zenith: 3", 5, "zenith is there twice"),
    ("centring: {instrument: .nan}", 2, 'centring.instrument is ".nan"'),
    ("centring: 1", 2, "centring is 1. Expected keys and values: instrument, target"),
    ("heights: {target: '1'}", 2, 'heights.target is "1". Expected a number'),
    ("atmosphere: {refraction: 13}", 2, "from -5 and up to 5"),
    ("confidence: 95", 2, "confidence is 95. Expected a number above 0 and below 1"),
    ("confidence: 1", 2, "above 0 and below 1"),
    ("confidence: 0", 2, "above 0 and below 1"),
    ("confidence: 1_0", 2, "Expected a number"),
    ("tolerances: pavin", 2, "Did you mean paving?"),
    ("tolerances: {horizontal: 0.01}", 2, "tolerances.elevation is missing"),
    ("tolerances: {horizontal: 6, elevation: 3}", 2, "If it is in mm, write 0.003"),
    ("instruments: {defaul: {direction: 20}}", 2, "instruments.defaul is unknown. Did you mean"),
    ("tolerances: {horizontal: 0, elevation: 1}", 2, "tolerances.horizontal is 0"),
    ("control: {file: other.csv}", 2, 'control.file is "other.csv", and there is no such file'),
    ("control: {delimiter: ab}", 2, 'control.delimiter is "ab". Expected one character'),
    ("control: {decimal: ','}", 2, "control.decimal is the delimiter as well"),
    ("control: {encoding: idna}", 2, 'control.encoding is "idna", which is not known'),
    ("control: {delimeter: ';'}", 2, "delimeter is not a key here. Did you mean delimiter?"),
    ("control: {columns: {point: A, northing: B}}", 2, "control.columns has no easting"),
    ("control: {columns: {northing: A, easting: B}}", 2, "control.columns has no point"),
    ("control: {columns: {point: A}}", 2, "control.columns has no coordinate"),
    ("control: {header: false}", 2, "control.header is false. Expected control.columns"),
    ("control: {marks: []}", 2, "control.marks names no mark"),
    ("encoding: unicode_escape", 2, 'encoding is "unicode_escape", which is not known'),
    ('encoding: "a\\0b"', 2, "which is not known"),
    ("standing: every", 2, 'standing is "every". Expected all, or a list: [...]'),
    ("standing: {CP1: yes}", 2, "standing is a mapping. Expected all, or a list"),
    ("standing:\n- CP1\n- ''", 4, "standing 2 is empty. Expected the name of a mark"),
    ("standing: [CP1, 0101, CP1]", 2, "standing 3 is CP1, which is there already"),
    ("levels_sd: 0", 2, "levels_sd is 0. Expected a number above 0"),
    ("header: 1", 2, "header is 1. Expected true or false"),
    ("title: &a x\nraw: *a", 3, "Expected a list"),
    ("centring: &c {target: 1}\nheights: *c", 2, "an alias (*) is not read here"),
    ("? [a]\n: b", 2, "a key must be a word"),
    ("decisions: {accept: F-1}", 2, "decisions is a mapping. Expected a list"),
    ("decisions: [keep]", 2, "Expected keys and values: accept"),
    ("decisions:\n- {by: me}", 3, "exactly one of accept, exclude, set, rename, keep; found none"),
    ("decisions:\n- {keep: F-1}\n- {keep: F-1, accept: F-1}", 4, "found accept and keep"),
    ("decisions:\n- {accept: }", 3, "needs exactly one"),
    ("decisions:\n- {accept: ''}", 3, "accept names no finding"),
    ("decisions:\n- {exclude: S2}", 3, 'exclude is "S2"'),
    ("decisions:\n- {exclude: {}}", 3, "exclude says not where"),
    ("decisions:\n- {exclude: {pont: CP4}}", 3, "Did you mean point?"),
    ("decisions:\n- {exclude: {kind: angle}}", 3, "Expected one of direction, zenith, distance"),
    ("decisions:\n- {exclude: {line: 14}}", 3, "Expected file and line, as in raw/s2.csv:14"),
    ("decisions:\n- {exclude: {setup: A}, to: B}", 3, "has to:, which only rename takes"),
    ("decisions:\n- {set: {setup: S3}}", 3, "set sets nothing"),
    ("decisions:\n- {set: {target_height: 1}}", 3, "set says not where"),
    ("decisions:\n- {set: {setup: S3, target_height: x}}", 3, 'target_height is "x"'),
    ("decisions:\n- {set: {setup: S3, point: A, instrument_height: 1}}", 3, "belongs to a whole"),
    ("decisions:\n- {set: {point: A, face: 3}}", 3, "face is 3. Expected 1 or 2"),
    ("decisions:\n- {set: {setup: A, station: ''}}", 3, "station is empty"),
    ("decisions:\n- {rename: {setup: S2, point: A}}", 3, "renames to nothing"),
    ("decisions:\n- {rename: {setup: S2}, to: CP1}", 3, "rename needs the point"),
    ("decisions:\n- {renam: {point: A}, to: B}", 3, "Did you mean rename?"),
    ("decisions:\n- {accept: F-1}", 3, "accept has no reason. Add reason:"),
    ("decisions:\n- {keep: F-1, by: me, reason: ''}", 3, "keep has no reason"),
    ("decisions:\n- {exclude: {point: A}, reason: '  '}", 3, "exclude has no reason"),
    (f"decisions:\n{ACCEPT}\n- {{keep: F-1, reason: b}}", 4,
     "keep on line 4 and accept on line 3 are about the same finding F-1"),
    (f"decisions:\n{ACCEPT}\n{ACCEPT}", 4, "accept on line 4 and accept on line 3"),
    (f"decisions:\n{SET}height: 1.5}}, reason: a}}\n{SET}height: 1.6}}, reason: b}}", 4,
     "set on line 4 and set on line 3 give instrument_height two values for setup S1"),
    (f"decisions:\n{RENAME}B, reason: a}}\n{RENAME}C, reason: b}}", 4,
     'rename on line 4 and rename on line 3 give the same shots two names, "B" and "C"'),
    (f"decisions: {'[' * 500}{']' * 500}", 2, "is not YAML: it is nested too deep"),
    ("title: {a: [\n" + "{b: [\n" * 30 + "]}" * 31, 12, "is not YAML: it is nested too deep"),
    ('title: "\\ud800"', 2, "\\ud800 is half of a character"),
    ("skip_rows: 99999999999999999999", 2, "Expected a whole number from 0"),
    (f"skip_rows: {'9' * 5000}", 2, "Expected a whole number from 0"),
    ("raw: ['.']", 2, "which is no name of a file"),
    ("raw: ['']", 2, "which is no name of a file"),
    ("raw: [raw]", 2, "only a folder. Name the files in it, as in raw/*.csv"),
    (f"raw: ['{'x' * 300}']", 2, "longer than a name of a file can be"),
    (f"raw: ['{'x/' * 3000}y']", 2, "longer than a name of a file can be"),
    *(
        (f"{key}: {'x' * 300}", 2, "longer than a name of a file can be")
        for key in ("control", "levels", "tapes")
    ),
    (f"audit: {'x' * 300}.yaml", 2, "longer than a name of a file can be"),
    (f"plan: {{sights: {'x' * 300}}}", 2, "longer than a name of a file can be"),
    ("instruments: {default: {direction: 1e-300}}", 2, "Expected a number from 0.001"),
    ("instruments: {default: {zenith: 1e-300}}", 2, "Expected a number from 0.001"),
    ("instruments: {default: {distance: [1e-300, 0]}}", 2, "Expected a number from 0.001"),
    ("control_sd: 1e-300", 2, "control_sd is finer than any mark is known"),
]  # fmt: skip
for name in ("punycode", "undefined", '"a\\0b"', "idna", "unicode_escape", "utf-7", "base64"):
    WRONG.append((f"encoding: {name}", 2, "which is not known. Expected utf-8"))


@pytest.mark.parametrize(("text", "line", "message"), WRONG)
def test_what_is_wrong_is_named_with_its_line(
    tmp_path: Path, text: str, line: int, message: str
) -> None:
    """One mistake, one message: job.yaml, the line, what was found, what was expected."""
    (problem,) = problems(tmp_path, f"{UNITS}{text}\n")[-1:]
    assert problem.startswith(f"job.yaml:{line}: "), problem
    assert message in problem


UNITS_WRONG = [
    ("title: x\n", "job.yaml:1: units is missing. Expected keys and values: angle, length"),
    ("", "job.yaml:1: units is missing"),
    ("# nothing\n", "job.yaml:1: units is missing"),
    ("units: {angle: deg}\n", "job.yaml:1: units.length is missing. Expected one of m, ft, ftUS"),
    ("units:\n", "job.yaml:1: units is missing"),
    ("\nunits:\n  angle: degrees\n  length: m\n", "job.yaml:3: units.angle is \"degrees\". Expected"
     " one of deg, dms, dms-packed, gon, rad, mil. Did you mean deg?"),
    ("units: {angle: gon, length: feet}\n", "length is \"feet\". Expected one of m, ft, ftUS"),
    ("units: metric\n", "units is \"metric\". Expected keys and values: angle, length"),
    ("- a\n- b\n", "job.yaml:1: expected keys and values"),
    ("units: {angle: deg\nlength: m}\ntitle: [\n", "is not YAML"),
    ("units:\n\tangle: deg\n", "job.yaml:2: is not YAML"),
    (b"title: Stra\xdfe\n", "job.yaml: is not UTF-8 text"),
    (b"title: \x00\n", "is not YAML"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), UNITS_WRONG)
def test_units_must_be_given_and_the_file_must_be_yaml(
    tmp_path: Path, text: str | bytes, message: str
) -> None:
    """A unit is never guessed, and what is no YAML is an error in words."""
    assert message in "\n".join(problems(tmp_path, text))


def test_byte_order_mark_and_crlf_are_read(tmp_path: Path) -> None:
    """A file saved by an editor of another system is the same job, line for line."""
    text = f"\ufeff{UNITS}title: A\nconfidence: 5\n".replace("\n", "\r\n").encode("utf-8")
    assert problems(tmp_path, text)[0].startswith("job.yaml:3: confidence")


def test_all_problems_at_once_in_the_order_of_the_lines(tmp_path: Path) -> None:
    """One run shows them all, whatever found them."""
    decisions = "decisions:\n- {set: {setup: A}, reason: a}\n"
    text = f"confidence: 9\n{UNITS}control: no.csv\n{decisions}titel: x\n"
    assert [problem.split(":")[1] for problem in problems(tmp_path, text)] == list("1356")


@pytest.mark.parametrize(
    ("text", "marks", "every"),
    [("", set(), False), ("standing: all", set(), True), ("standing: []", set(), False),
     ("standing: [CP1, 0101]", {"CP1", "0101"}, False), ("standing:\n- T 1", {"T 1"}, False)],
)  # fmt: skip
def test_standing_targets_are_all_or_named(
    tmp_path: Path, text: str, marks: set[str], every: bool
) -> None:
    """``standing`` is the word all or a list of names as written; left out, no target stands."""
    job = load(tmp_path, f"{UNITS}{text}\n")
    assert (job.standing, job.standing_all) == (marks, every)
    stated = json.loads(json.dumps(job.resolved))["standing"]
    assert stated == "all" if every else set(stated or ()) == marks


def test_decisions_that_agree_are_no_conflict(tmp_path: Path) -> None:
    """The same value twice, two keys of one setup, one key of two setups: all are taken."""
    text = f"""{UNITS}decisions:
  - {{set: {{setup: S1, instrument_height: 1.5}}, reason: book}}
  - {{set: {{setup: S1, instrument_height: 1.5}}, reason: sketch}}
  - {{set: {{setup: S1, target_height: 1.6}}, reason: book}}
  - {{set: {{setup: S2, instrument_height: 1.4}}, reason: book}}
"""
    assert len(load(tmp_path, text).decisions) == 4


def test_a_folder_that_is_no_job(tmp_path: Path) -> None:
    """A missing folder and a folder without job.yaml are told apart."""
    with pytest.raises(ConfigError, match="there is no such folder"):
        load_job(tmp_path / "nowhere")
    with pytest.raises(ConfigError, match=r"job\.yaml: cannot be opened"):
        load_job(tmp_path)


@pytest.mark.parametrize("name", ["x" * 300, "x/" * 3000, "loop", "a\0b"])
def test_a_name_that_no_folder_can_have(tmp_path: Path, name: str) -> None:
    """Too long, too deep, a link onto itself, a sign no name has: words, as for any other."""
    (tmp_path / "loop").symlink_to("loop")
    with pytest.raises(ConfigError, match="Expected a job folder"):
        load_job(tmp_path / name)


def test_a_folder_that_may_not_be_read_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No file is found in it: not because there is none."""
    monkeypatch.setattr("os.access", lambda path, mode: Path(path).name != "raw")
    glob = Path.glob

    def of_nobody(path: Path, pattern: str) -> Iterator[Path]:
        return iter(()) if pattern.startswith("raw/") else glob(path, pattern)

    monkeypatch.setattr(Path, "glob", of_nobody)
    (told,) = problems(tmp_path, UNITS)
    assert told.endswith("no file matches it. raw cannot be looked into. Change its rights")


def test_a_working_folder_that_was_deleted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The job folder is named from a folder that is no more."""
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    with pytest.raises(ConfigError, match=r"is no folder .*Expected a job folder"):
        load_job(".")


def test_the_hash_is_that_of_what_was_read(tmp_path: Path) -> None:
    """job.yaml is changed after it was read: the job still knows the version it is made of."""
    job = load(tmp_path, UNITS)
    (tmp_path / "job.yaml").write_text("title: other\n", encoding="utf-8")
    assert job.sha256 == hashlib.sha256(UNITS.encode()).hexdigest()


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    """A raw file or control list that only seems to be inside is not read."""
    (tmp_path / "elsewhere.csv").write_text(RAW, encoding="utf-8")
    home = tmp_path / "job"
    (home / "raw").mkdir(parents=True)
    (home / "raw" / "link.csv").symlink_to(tmp_path / "elsewhere.csv")
    (home / "marks.csv").symlink_to(tmp_path / "elsewhere.csv")
    found = problems(home, f"{UNITS}control: marks.csv\n")
    assert [line.split(", ")[-1] for line in found] == [
        "a link out of the job folder. Copy the file into it"
    ] * 2


def test_numbers_of_every_usual_form(tmp_path: Path) -> None:
    """1e-3 is a number too, though YAML 1.1 calls it text."""
    assert load(tmp_path, f"{UNITS}control_sd: 1e-3\n").control_sd == 0.001


def keys_of(section: Section, path: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every key of a section and of the sections below it."""
    for key, kind in section.keys.items():
        yield f"{path}{key}", kind
        below = {ListOf: "kind", Named: "section", Either: "long"}.get(type(kind))
        inner = getattr(kind, below) if below else kind
        if isinstance(inner, Section):
            yield from keys_of(inner, f"{path}{key}.")


@pytest.mark.parametrize("path", [path for path, _ in keys_of(SCHEMA)])
def test_no_key_takes_what_it_cannot_use(tmp_path: Path, path: str) -> None:
    """Every key of the schema refuses a nest of lists where it stands, and names itself."""
    lists = {
        name
        for name, kind in SCHEMA.keys.items()
        if isinstance(kind, ListOf) and isinstance(kind.kind, Section)
    }
    *parents, key = path.split(".")
    value: Any = [[["x"]]]
    for name in (key, *reversed(parents)):
        value = {name: value}
        if name in lists and key != name:
            value = {name: [value[name]]}
        if name == "instruments" and key != "instruments":
            value = {name: {"TS1": value[name]}}
    units = {"units": {"angle": "deg", "length": "m"}}
    found = problems(tmp_path, yaml.safe_dump({**units, **value}))
    assert any(key in problem for problem in found), found


SCALARS = st.sampled_from(
    ["", "~", "x", "0", "-1", "2.5", "1e9", ".nan", "yes", "'5'", "45-00-00", "[]", "{}", "[1, 2]"]
)
WORDS = st.sampled_from(sorted({path.split(".")[-1] for path, _ in keys_of(SCHEMA)}))
BODIES = st.recursive(
    SCALARS,
    lambda inner: (
        st.dictionaries(WORDS, inner, max_size=4).map(
            lambda d: "{" + ", ".join(f"{key}: {value}" for key, value in d.items()) + "}"
        )
        | st.lists(inner, max_size=3).map(lambda items: "[" + ", ".join(items) + "]")
    ),
    max_leaves=8,
)


@settings(
    max_examples=300,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.dictionaries(WORDS, BODIES, max_size=6))
def test_whatever_stands_in_the_file_is_a_job_or_an_error_in_words(
    tmp_path: Path, keys: dict[str, str]
) -> None:
    """Random keys and values never end in anything but a job or a ConfigError with lines."""
    text = UNITS + "".join(f"{key}: {value}\n" for key, value in keys.items() if key != "units")
    try:
        assert load(tmp_path, text).angle_unit == "deg"
    except ConfigError as error:
        assert all(problem.startswith("job.yaml:") for problem in error.problems)


CLASSES = ("building-layout", "control", "paving", "topographic")


def test_tolerance_classes_are_those_that_ship() -> None:
    """The four classes are there, named as their files."""
    found = sorted((data_path("configs") / "tolerances").glob("*.yaml"))
    assert tuple(path.stem for path in found) == CLASSES
    assert tuple(read_class(path).name for path in found) == CLASSES


@pytest.mark.parametrize("name", CLASSES)
def test_a_class_is_loaded_by_its_name(tmp_path: Path, name: str) -> None:
    """Every limit has its source, and height is never looser than plan."""
    tolerances = load(tmp_path, f"{UNITS}tolerances: {name}\n").tolerances
    assert tolerances.name == name
    assert 0 < tolerances.elevation <= tolerances.horizontal <= 0.05  # m
    assert "horizontal: " in tolerances.source and "elevation: " in tolerances.source


def test_paving_ties_to_a_hundredth_of_a_foot_in_height(tmp_path: Path) -> None:
    """0.01 ft in height, 0.02 ft in plan, rounded to the mm (common practice, no source)."""
    tolerances = load(tmp_path, UNITS).tolerances
    assert tolerances.elevation == pytest.approx(0.01 * 0.3048, abs=0.0005)
    assert tolerances.horizontal == pytest.approx(0.02 * 0.3048, abs=0.0005)


@pytest.mark.parametrize("name", CLASSES)
def test_where_a_limit_comes_from_is_said_in_the_unit_of_the_job(tmp_path: Path, name: str) -> None:
    """No feet first in a metric job, no bare mm in a job in feet."""
    metric = load(tmp_path, f"{UNITS}tolerances: {name}\n").tolerances.source
    feet = load(tmp_path, f"{UNITS.replace('length: m', 'length: ft')}tolerances: {name}\n")
    assert " mm" in metric and " ft" not in metric.replace("(0.01 ft)", "")
    assert " ft" in feet.tolerances.source
    assert " mm" not in feet.tolerances.source.replace("(4 mm)", "")


def test_a_broken_class_is_refused(tmp_path: Path) -> None:
    """A settings file without a source for a limit is an error that names it."""
    path = tmp_path / "lax.yaml"
    path.write_text("name: lax\nuse: x\nunit: m\nhorizontal: {limit: 1}\nelevation: 2\n")
    with pytest.raises(ConfigError) as caught:
        read_class(path)
    assert "lax.yaml:4: horizontal.source is missing" in caught.value.problems[0]
    assert "lax.yaml:5: elevation is 2" in caught.value.problems[1]


def test_data_is_found_from_the_source_tree() -> None:
    """The settings and the sample stand beside the package."""
    assert (data_path("configs") / "tolerances" / "paving.yaml").is_file()
    assert data_path("sample_raw").is_dir()


@pytest.mark.parametrize("name", ["\ud800", "a\0b"])
def test_what_no_file_can_be_called_is_refused(name: str) -> None:
    """Half a character, and a zero byte, which no system takes in a path."""
    assert unreadable_as(Path(name)) == "no name that a file can have"
