"""A job is held to the rule sets it asks for, and a wrong name says what there is."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endtoend.jobs import copy_sample, put, raw_cells, reconcile

OWN = """\
name: our-contract
use: the yard alone
rules:
  - {id: four-marks, says: marks of a setup, measures: ties_sighted, held: at least, unit: marks,
     fail: 40, source: invented}
"""


def _job(folder: Path, *lines: str) -> Path:
    job = copy_sample("two_setups", folder)
    settings = (job / "job.yaml").read_text(encoding="utf-8")
    kept = [line for line in settings.splitlines() if not line.startswith("tolerances")]
    (job / "job.yaml").write_text("\n".join([*kept, *lines, ""]), encoding="utf-8")
    return job


def _faces_apart(job: Path, setup: str, point: str, apart: float) -> None:
    """Put the distances of the first face pair to a point so far apart about their mean."""
    pair = [
        (file, int(line), float(cells["distance"]))
        for at, cells in raw_cells(job)
        for file, line in [at.rsplit(":", 1)]
        if (cells["setup"], cells["point"]) == (setup, point)
    ][:2]
    middle = (pair[0][2] + pair[1][2]) / 2.0
    for (file, line, _), side in zip(pair, (-0.5, 0.5), strict=True):
        put(job, file, "distance", f"{middle + side * apart:.4f}", [line - 1])


def test_sets_are_held_beside_the_tolerances_and_none_is_lost(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The class's own set, one that ships and one of the job's own stand in rules.csv, by set.

    The two faces of S2's first pair to CP4 are put 0.02 ft (6 mm) apart: beyond the class's 5 mm.
    """
    job = _job(tmp_path, "tolerances: paving", "rules: [txdot-closures, ours.yaml, paving]")
    (job / "ours.yaml").write_text(OWN, encoding="utf-8")
    _faces_apart(job, "S2", "CP4", 0.02)
    output = reconcile(capsys, job)
    rules = output.table("rules")
    assert list(dict.fromkeys(row["set"] for row in rules)) == [
        "paving", "txdot-closures", "our-contract",
    ]  # fmt: skip
    assert len({(row["set"], row["rule"]) for row in rules}) == len(rules)
    assert [row["state"] for row in rules if row["set"] == "our-contract"] == ["fail"]
    fails = [row for row in rules if row["state"] == "fail"]
    named = [f"{row['rule']} of {row['set']} at {row['subject']}" for row in fails]
    assert "face-distance of paving at S2 to CP4" in named
    assert f"{len(fails)} fail: {', '.join(named)}" in " ".join(output.text.split())
    assert "ours.yaml" in output.document("run")["inputs"]


def test_own_limits_take_the_sets_they_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Own limits alone are held to none, and the page says so; with a set, to that one."""
    own = "tolerances: {horizontal: 0.02, elevation: 0.01}"
    bare = reconcile(capsys, _job(tmp_path / "bare", own))
    assert not (bare.folder / "rules.csv").exists()
    assert "Held to no rule set" in (bare.folder / "report.html").read_text(encoding="utf-8")
    held = reconcile(capsys, _job(tmp_path / "held", own, "rules: [paving]"))
    assert {row["set"] for row in held.table("rules")} == {"paving"}


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        ("rules: [pavin]", "Did you mean paving?"),
        ("rules: [ours.yaml]", "there is no such file"),
        ("rules: paving", "rules"),
    ],
)
def test_a_set_that_is_not_there_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], stated: str, told: str
) -> None:
    """The message names the line, the key and the nearest set; nothing is written."""
    output = reconcile(capsys, _job(tmp_path, "tolerances: paving", stated))
    assert output.status == 2
    assert "job.yaml:" in output.errors and "rules" in output.errors and told in output.errors


@pytest.mark.parametrize("taken", ["paving", "nsw-g71", "our-contract"])
def test_rules_of_ones_own_have_a_name_of_their_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], taken: str
) -> None:
    """That of a set that ships, asked for or not, or of another file would stand for two."""
    job = _job(tmp_path, "tolerances: paving", "rules: [ours.yaml, more.yaml]")
    (job / "ours.yaml").write_text(OWN, encoding="utf-8")
    (job / "more.yaml").write_text(OWN.replace("name: our-contract", f"name: {taken}"), "utf-8")
    output = reconcile(capsys, job)
    assert output.status == 2 and not output.folder.exists()
    assert f'more.yaml: name "{taken}" is that of the rules in ' in output.errors
