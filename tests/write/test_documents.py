"""findings.json and run.json: exact keys, nulls, rounding."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from tests.write.sample import FINDING, NAN, make_site
from tieup.write.documents import finding_record, findings_text, json_text, run_text

KEYS = (  # contract, section 6, in its order
    "id kind severity setup points lines size unit sd statistic rivals action says confirm cure"
    " decidable grade places"
)


def test_a_finding_has_exactly_the_keys_of_the_contract() -> None:
    """Another program may rely on the keys and on their order."""
    assert " ".join(finding_record(FINDING)) == KEYS


def test_numbers_are_rounded_and_undefined_is_null() -> None:
    """The sd has three digits, the size ends at the second; undefined is null, never 0."""
    record = finding_record(FINDING)
    assert (record["size"], record["sd"], record["statistic"]) == (-0.1, 0.00123, 41.23)
    long = finding_record(replace(FINDING, size=-0.0990649, sd=0.00137))
    assert (long["size"], finding_record(replace(FINDING, size=0.3048123, sd=None))["size"]) == (
        -0.0991,
        0.3048,
    )
    assert record["rivals"][0]["statistic"] is None
    empty = finding_record(replace(FINDING, size=None, sd=NAN, statistic=float("inf")))
    assert (empty["size"], empty["sd"], empty["statistic"]) == (None, None, None)


def test_the_id_names_the_subject_and_survives_a_change_of_size() -> None:
    """The id a person writes into a decision holds when the numbers move a little."""
    assert finding_record(replace(FINDING, size=-0.2))["id"] == FINDING.id
    assert finding_record(replace(FINDING, setup="S3"))["id"] != FINDING.id


def test_findings_are_strict_json(tmp_path: Path) -> None:
    """The document is a list that any JSON reader takes, text not escaped."""
    site = make_site(tmp_path, findings=(replace(FINDING, says="Größe"),))
    text = findings_text(site)
    assert "Größe" in text
    assert json.loads(text, parse_constant=lambda _: 1 / 0)[0]["points"] == ["CP4"]


def test_run_holds_what_the_pipeline_gave_and_the_clock(tmp_path: Path) -> None:
    """numpy numbers become plain ones, NaN null; the clock is one key."""
    text = run_text(make_site(tmp_path), files=["run.json"], written="2024-05-01T10:00:00+00:00")
    document = json.loads(text)
    assert document["sigma0"] == 1.02
    assert document["bound"] is None
    assert document["written"] == "2024-05-01T10:00:00+00:00"
    assert (document["status"], document["files"]) == (1, ["run.json"])


def test_the_last_digits_of_a_processor_are_not_written() -> None:
    """Two sums of the same numbers in another order: the same text, to 12 digits."""
    one, other = 0.1511146293579508, 0.15111462935795078
    assert one != other
    assert json_text({"sd": one}) == json_text({"sd": other})
    assert json.loads(json_text({"north": 5_412_345.6789}))["north"] == 5_412_345.6789
