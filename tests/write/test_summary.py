"""The first screen: the answer first, the trade's words, one screen."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tests.write.sample import FINDING, GOOD_FIT, NAN, make_job, make_site, table
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import SETUPS
from tieup.write.documents import json_text
from tieup.write.reconcile_screen import headline, summary_record, summary_text, worst_tie

OUT = Path("yard/out")


def test_the_first_line_is_the_answer(tmp_path: Path) -> None:
    """A crew lead reads one line and knows."""
    assert headline(make_site(tmp_path, ties=True)) == (
        "Invented yard: THE SITE TIES. 2 setups, 1 of 2 ties within the limits, 1 untested."
    )
    assert headline(make_site(tmp_path)) == (
        "Invented yard: DOES NOT TIE YET: 1 of 2 ties fail; 1 to settle before use."
    )


def test_the_worst_tie_is_said_in_the_trades_words(tmp_path: Path) -> None:
    """Sign and size of a tie: this setup minus the rest, in whole mm on a metric job."""
    text = summary_text(make_site(tmp_path), OUT)
    assert "S2 puts CP4 2 mm off in plan (limit 6 mm), 12 mm low (limit 3 mm)" in text


def test_a_job_in_feet_speaks_feet(tmp_path: Path) -> None:
    """Feet to the thousandth, never converted: the tables hold feet already."""
    site = make_site(tmp_path, job=make_job(tmp_path, length_unit="ftUS"), findings=())
    text = " ".join(summary_text(site, OUT).split())
    assert "0.002 US ft off in plan (limit 0.006 US ft), 0.012 US ft low (limit 0.003 US" in text
    assert " mm" not in text


def test_setups_and_findings_stand_with_their_cure(tmp_path: Path) -> None:
    """One line for each setup; the finding says what is wrong and what to do."""
    lines = summary_text(make_site(tmp_path), OUT).splitlines()
    assert any(line.split()[:2] == ["S1", "CP1"] and "strong, ties" in line for line in lines)
    assert any(line.split()[:2] == ["S2", "free"] and "two-tie, fails" in line for line in lines)
    assert f"STOP  {FINDING.id}  S2 puts CP4 12 mm low; limit 3 mm." in lines
    assert any("cure: Subtract -0.100 m" in line for line in lines)


def test_the_cautions_stand_on_the_screen(tmp_path: Path) -> None:
    """Someone can be hurt by a wrong grade: the cautions of the handbook stay."""
    text = " ".join(summary_text(make_site(tmp_path, ties=True), OUT).split())
    for words in (
        "person responsible for the survey",
        "licensed surveyor where the law requires one",
        "Check independently before excavating, paving or setting structure",
        "Local codes and the contract's tolerances govern",
        "common practice, no source",
    ):
        assert words in text


def test_unchecked_points_are_called_so(tmp_path: Path) -> None:
    """A point that nothing checks is never counted as good."""
    text = " ".join(summary_text(make_site(tmp_path, ties=True), OUT).split())
    assert "1 unchecked: a mistake beyond the limits could hide in them" in text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "fit as well as the gear should"),
        ({"passed": False, "statistic": 99.0}, "fit worse than the gear should"),
        ({"passed": False, "statistic": 2.0}, "fit better than the gear is stated to"),
        ({"passed": None, "dof": 0, "sigma0": NAN}, "nothing to test"),
    ],
)
def test_the_fit_is_told_without_statistics(
    tmp_path: Path, changes: dict[str, float | None], words: str
) -> None:
    """Each outcome of the global test has its own words."""
    site = make_site(tmp_path, ties=True)
    fit = replace(GOOD_FIT, **changes)  # type: ignore[arg-type]
    text = summary_text(replace(site, summary=replace(site.summary, minimal=fit)), OUT)
    assert words in text
    assert not any("Ͱ" <= letter <= "Ͽ" for letter in text)  # Greek and Coptic block
    assert "sigma" not in text


def big_site(folder: Path) -> Reconciliation:
    """Return a site of 3,000 setups, the last of which fails, with 50 wordy findings."""
    setups = table(
        SETUPS,
        [
            {"setup": f"S{n}-with-a-long-label", "station": "a very long mark name", "ties": 3}
            | {"geometry": "danger-circle", "verdict": "fails" if n == 2999 else "ties"}
            for n in range(3000)
        ],
    )
    wordy = "All of it is bad. " * 40
    findings = tuple(replace(FINDING, key=str(n), says=wordy) for n in range(50))
    title = "A title as long as a contract number and a street together " * 2
    site = make_site(folder, setups=setups, findings=findings, job=make_job(folder, title=title))
    datum = "held to control " + ", ".join(f"CP{n}" for n in range(200))
    return replace(site, summary=replace(site.summary, datum=datum, held=GOOD_FIT))


def test_any_site_fits_one_screen(tmp_path: Path) -> None:
    """80 columns by 40 lines, however big; what is left out is counted and named."""
    site = big_site(tmp_path)
    checks = tuple(replace(finding, severity="check") for finding in site.findings)
    lines = (text := summary_text(replace(site, findings=checks), OUT)).splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 40
    assert "S2999" in text  # what does not tie comes first
    assert "and 2,992 more in setups.csv, 2,992 of them tie" in text
    assert "more in report.html, under Survey" in text


def test_what_must_be_settled_is_shown_whatever_the_room(tmp_path: Path) -> None:
    """Eight stops of fifty are shown with their cures, on any screen; the others are counted."""
    site = big_site(tmp_path)
    lines = summary_text(site, OUT).splitlines()
    shown = [line.split()[1] for line in lines if line.startswith("STOP")]
    assert shown == [finding.id for finding in site.findings[:8]]
    assert sum(line.startswith("      cure: ") for line in lines) == 8
    assert "and 42 more in report.html, under Survey" in lines
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 40 + 4 * 8  # no more than two lines each for what is wrong and its cure


def test_no_sentence_is_cut(tmp_path: Path) -> None:
    """A cure is shortened at the end of a sentence, and a first sentence is written whole."""
    cure = "Use 1.600 m for all shots with the short pole, from line 12 to line 40 of the file. "
    more = "If the rod man remembers 1.500 m instead, write that and look at the heights again."
    one = "Do not use " + ", ".join(f"T{n}" for n in range(60)) + " before the pole is measured."
    for text, shown in ((cure + more, f"{cure}..."), (one, one), (more, more)):
        site = replace(make_site(tmp_path), findings=(replace(FINDING, cure=text),))
        screen = " ".join(summary_text(site, OUT).split())
        assert f"cure: {shown} Written to" in screen
    says = replace(FINDING, says=f"{one} {more}", cure="")
    screen = " ".join(summary_text(replace(site, findings=(says,)), OUT).split())
    assert f"{FINDING.id} {one} ... Written to" in screen


def test_a_name_as_long_as_a_page_is_cut(tmp_path: Path) -> None:
    """A finding whose only sentence is 3,000 characters long takes six lines and no more."""
    site = replace(make_site(tmp_path), findings=(replace(FINDING, says="CP " * 1000, cure=""),))
    lines = summary_text(site, OUT).splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("STOP"))
    assert lines[start + 5].endswith(" ...")
    assert lines[start + 6] == ""


def test_the_line_to_paste_is_of_a_finding_that_a_decision_settles(tmp_path: Path) -> None:
    """The first stop has no cure that a decision applies: the second one's line is offered."""
    site = make_site(tmp_path)
    second = replace(FINDING, key="second", decidable=True)
    text = summary_text(replace(site, findings=(FINDING, second)), OUT)
    assert f'  - {{accept: {second.id}, by: "your name", reason: "why"}}\n' in text
    assert f"accept: {FINDING.id}" not in text
    assert "To decide" not in summary_text(replace(site, findings=(FINDING,)), OUT)


def test_a_site_without_ties_or_findings_prints(tmp_path: Path) -> None:
    """No tie was tested: there is no worst one, and nothing is said to tie."""
    site = make_site(tmp_path, ties=True)
    empty = replace(site, ties={name: [] for name in site.ties})
    assert worst_tie(empty) is None
    assert "0 of 0 ties within the limits" in summary_text(empty, OUT)


def test_the_record_holds_the_screen_as_strict_json(tmp_path: Path) -> None:
    """--json gives the same facts to a program: numbers rounded, undefined null."""
    record = json.loads(json_text(summary_record(make_site(tmp_path), OUT)))
    assert (record["ties"], record["status"]) == (False, 1)
    assert record["worst_tie"]["d_elevation"] == -0.012
    assert record["worst_tie"]["d_northing"] is None
    assert record["rows"] == {
        "used": 40, "unused": 1, "excluded": 2, "repeated": 3, "invalid": 4
    }  # fmt: skip
    assert record["setups"][0]["orientation"] == 123.456789
    assert record["findings"][0]["id"] == FINDING.id
    assert "coordinates.csv" in record["files"]
