"""The way of a newcomer, by the README's own words: new, fill in, reconcile, decide, export."""

from __future__ import annotations

import html
import re
import shutil
from pathlib import Path

import pytest

from tieup import cli
from tieup.explain.pages import topics

ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "sample_raw" / "fire_station"
TITLE = "From raw files to a coordinate file, for a first job:"
LINE = re.compile(r"- \{accept: F-[0-9a-f]+, by: \"your name\", reason: \"why\"\}")


def steps() -> list[str]:
    """Return the lines of the README's code block for a first job."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return text.split(TITLE)[1].split("```sh\n")[1].split("```")[0].splitlines()


def fill_in(job: Path) -> None:
    """Do what the first comment says, with the sample's marks and raw files."""
    shutil.copy(SAMPLE / "control.csv", job / "control.csv")
    for path in (SAMPLE / "raw").glob("*.csv"):
        shutil.copy(path, job / "raw" / path.name)


def decide(job: Path) -> None:
    """Do what the second comment says: copy every line of the page that accepts a finding."""
    page = html.unescape((job / "out" / "report.html").read_text(encoding="utf-8"))
    lines = dict.fromkeys(LINE.findall(page))
    assert len(lines) == 3
    path = job / "job.yaml"
    above, below = path.read_text(encoding="utf-8").split("\ndecisions:\n")
    entries = "".join(f"  {line}\n" for line in lines)
    path.write_text(f"{above}\ndecisions:\n{entries}{below}", encoding="utf-8")


def test_the_readme_leads_from_nothing_to_a_file_for_the_next_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every line is done as it stands; the last one ties and writes site.xml."""
    monkeypatch.chdir(tmp_path)
    actions, statuses, job = iter((fill_in, decide)), [], tmp_path / "north_bay"
    for step in steps():
        if step.startswith("#"):
            next(actions)(job)
        else:
            words = step.split()
            assert words[0] == "tieup"
            statuses.append(cli.outcome(words[1:]))
    printed = capsys.readouterr()
    assert statuses == [0, 0, 1, 0], printed.out + printed.err
    assert next(actions, None) is None
    assert (job / "out" / "site.xml").is_file() and (job / "out" / "coordinates.csv").is_file()


def test_the_readme_shows_the_screen_of_the_sample(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each line of the crew's screen in the README is printed for the sample job, in order."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = text.split("    tieup ties fire_station\n")[1].split("\n## ")[0]
    wanted = [line[4:] for line in shown.splitlines() if line.strip() not in ("", "...")]
    job = shutil.copytree(SAMPLE, tmp_path / "job", ignore=shutil.ignore_patterns("out"))
    assert cli.outcome(["ties", str(job), "--width", "80"]) == 1
    printed = capsys.readouterr().out.splitlines()
    places = [printed.index(line) for line in wanted]
    assert len(places) > 10 and places == sorted(places)


def test_the_readme_is_short_and_its_links_are_there() -> None:
    """120 lines; every page that it names is in the project, and every topic is named."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    links = set(re.findall(r"\]\(([^)]+)\)", text))
    assert len(text.splitlines()) <= 120
    assert all((ROOT / link).is_file() for link in links)
    assert {f"tieup/explain/texts/topics/{word}.md" for word in topics()} <= links


def test_the_empty_brackets_of_a_list_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """``decisions: []`` with entries below it: what is in the way is said."""
    assert cli.outcome(["new", str(tmp_path / "yard"), "--quiet"]) == 0
    path = tmp_path / "yard" / "job.yaml"
    text = path.read_text(encoding="utf-8")
    entry = "\ndecisions: []\n  - {keep: F-19a0, reason: seen}\n"
    path.write_text(text.replace("\ndecisions:\n", entry), encoding="utf-8")
    assert cli.outcome(["reconcile", str(tmp_path / "yard")]) == 2
    assert "Entries follow decisions: take the [] behind it away" in capsys.readouterr().err
