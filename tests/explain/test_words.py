"""`tieup explain`: every word of the outputs has a sense, and a misspelt one gets help."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from tests.endtoend.jobs import JOBS, SAMPLE, copy_sample, reconcile
from tieup import cli
from tieup.errors import ConfigError
from tieup.explain.entries import entries
from tieup.explain.search import senses


def _explained(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    status = cli.outcome(["explain", *words])
    streams = capsys.readouterr()
    return status, streams.out, streams.err


def test_every_word_of_a_run_can_be_explained(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Columns, kinds of findings, proofs, geometries and verdicts of the sample have a sense."""
    output = reconcile(capsys, copy_sample("fire_station", tmp_path))
    words = {finding["kind"] for finding in output.findings}
    words |= {finding["severity"] for finding in output.findings}
    for path in output.folder.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            words |= set(csv.DictReader(stream).fieldnames or ())
    words |= {row["proof"] for row in output.table("coordinates")}
    words |= {row[c] for row in output.table("setups") for c in ("geometry", "verdict")}
    words |= {row["verdict"] for row in output.table("ties")}
    assert len(words) > 80
    for word in words:
        assert all(entry.says for entry in senses(word, entries())), word


@pytest.mark.parametrize("job", JOBS)
def test_every_key_of_a_sample_job_can_be_explained(job: str) -> None:
    """The keys at the left edge of job.yaml."""
    for line in (SAMPLE / job / "job.yaml").read_text(encoding="utf-8").splitlines():
        if line[:1].isalpha():
            assert senses(line.partition(":")[0], entries())


def test_a_sense_has_unit_default_and_source(capsys: pytest.CaptureFixture[str]) -> None:
    """One of each sort, with what it has to say beside its meaning."""
    for word, *told in (
        ("control_sd", "key of job.yaml", "unit: the job's length unit", "default: 0"),
        ("hidden_elevation", "column of coordinates.csv", "unit: the job's length unit"),
        ("closing-direction", "rule of", "paving", "fail: 20 arcsec", "source: common practice"),
        ("mark-moved", "finding", "a mark moved between two setups"),
        ("redundancy", "term", "source: Baarda, 1968"),
        ("audit", "command", "usage: tieup audit"),
        ("Free Station", "term"),
    ):
        status, text, _ = _explained(capsys, word)
        flat = " ".join(text.split())
        assert status == 0
        assert all(part in flat for part in told), (word, flat)


def test_a_misspelt_word_gets_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, one sentence, no traceback."""
    status, text, errors = _explained(capsys, "redundency")
    assert status == 2 and not text
    assert errors.startswith('"redundency" is no word of tieup. Did you mean redundancy')
    with pytest.raises(ConfigError, match="--page"):
        senses("qqqqqqqq", entries())


def test_the_nearest_word_stands_first() -> None:
    """A whole key before the last part of a longer one; a word of thousands of letters is cut."""
    for word, nearest in (("tolerences", "tolerances"), ("hieghts", "heights")):
        with pytest.raises(ConfigError) as told:
            senses(word, entries())
        assert f"Did you mean {nearest}" in str(told.value)
    with pytest.raises(ConfigError) as told:
        senses("a" * 5000, entries())
    assert len(str(told.value)) < 120


def test_the_page_has_every_word_and_takes_nobodys_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """explained.html holds all words; a file of that name that is no page of tieup stays."""
    status, text, _ = _explained(capsys, "--page", "--out", str(tmp_path / "new"))
    page = (tmp_path / "new" / "explained.html").read_text(encoding="utf-8")
    assert status == 0 and "explained.html" in text
    assert all(f"<dt>{entry.word} " in page for entry in entries())
    assert _explained(capsys, "--page", "--out", str(tmp_path / "new"))[0] == 0
    (tmp_path / "explained.html").write_text("mine", encoding="utf-8")
    status, _, errors = _explained(capsys, "--page", "--out", str(tmp_path))
    assert status == 2 and "no page of tieup" in errors
    assert (tmp_path / "explained.html").read_text(encoding="utf-8") == "mine"


def test_a_record_for_other_programs(capsys: pytest.CaptureFixture[str]) -> None:
    """--json gives the senses; neither a word nor --page, or both, is a wrong call."""
    _, text, _ = _explained(capsys, "mdb", "--json")
    assert {sense["word"] for sense in json.loads(text)["senses"]} == {"mdb"}
    assert _explained(capsys)[0] == 2
    assert _explained(capsys, "mdb", "--page")[0] == 2
