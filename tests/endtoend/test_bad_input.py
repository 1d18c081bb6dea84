"""Wrong input: exit 2, file and line or key in the message, nothing written, no traceback."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.endtoend.jobs import Output, copy_sample, files_below, reconcile

Edit = Callable[[Path], None]


@dataclass(frozen=True)
class Wrong:
    """One way to spoil a job: what is done to the folder, and what the message must hold."""

    name: str
    edit: Edit
    says: tuple[str, ...]

    def __str__(self) -> str:
        return self.name


def replaced(file: str, old: str, new: str, count: int = 1) -> Edit:
    """Return what replaces text in a file of the job."""

    def edit(job: Path) -> None:
        path = job / file
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{file} has no {old}"
        path.write_text(text.replace(old, new, count), encoding="utf-8")

    return edit


def written(file: str, content: str | bytes) -> Edit:
    """Return what writes a file of the job anew."""

    def edit(job: Path) -> None:
        data = content.encode() if isinstance(content, str) else content
        (job / file).write_bytes(data)

    return edit


def cells(file: str, column: str, new: str, rows: slice = slice(None)) -> Edit:
    """Return what puts one text into a column of a table, in all rows or some."""

    def edit(job: Path) -> None:
        path = job / file
        lines = path.read_text(encoding="utf-8").splitlines()
        place = lines[0].split(",").index(column)
        for number in range(1, len(lines))[rows]:
            row = lines[number].split(",")
            row[place] = new
            lines[number] = ",".join(row)
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")

    return edit


def gone(file: str) -> Edit:
    """Return what takes a file away."""
    return lambda job: (job / file).unlink()


def added(line: str) -> Edit:
    """Return what adds a line to job.yaml."""

    def edit(job: Path) -> None:
        path = job / "job.yaml"
        path.write_text(path.read_text(encoding="utf-8") + line + "\n", encoding="utf-8")

    return edit


def strangers(job: Path) -> None:
    """Rename every mark that S2 sights, so that the setups have nothing in common."""
    path = job / "raw" / "s2.csv"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r",(CP\d|T\d),", r",X\1,", text), encoding="utf-8")
    (job / "control.csv").unlink()
    replaced("job.yaml", "control: control.csv\ndatum: control", "datum: free")(job)


YAML, S1 = "job.yaml", "raw/s1.csv"


def unknown_instrument(job: Path) -> None:
    """Give the rows of S1 an instrument that job.yaml does not have."""
    path = job / S1
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [lines[0] + ",instrument", *(line + ",leveller" for line in lines[1:])]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def unseen_control(job: Path) -> None:
    """Name the control marks as no raw file does."""
    path = job / "control.csv"
    path.write_text(re.sub(r"^CP", "QCP1", path.read_text(), flags=re.MULTILINE))


def no_raw_files(job: Path) -> None:
    """Take all raw files away."""
    for path in (job / "raw").glob("*"):
        path.unlink()


WRONG = (
    Wrong("column missing", replaced(S1, "point,", "pt,"), (f"{S1}:1", "point", "pt")),
    Wrong("setup missing", replaced(S1, "setup,", "stn,"), (f"{S1}:1", "setup")),
    Wrong("no observation", written(S1, "setup,point\nS1,CP1\n"), (f"{S1}:1", "direction")),
    Wrong("a column twice", replaced(S1, "zenith", "direction"), (f"{S1}:1", "direction", "twice")),
    Wrong("empty file", written(S1, ""), (S1, "empty")),
    Wrong("header only", written(S1, "setup,point,direction\n"), (f"{S1}:1", "no rows")),
    Wrong("comments only", written(S1, "# nothing\n\n#\n"), (S1, "empty")),
    Wrong(
        "not UTF-8",
        written(S1, b"setup,point,direction\nS1,M\xe4rz,1-0-0\n"),
        (f"{S1}:2", "encoding"),
    ),
    Wrong("open quote", written(S1, 'setup,point,distance\n"S1,CP1,4\n'), (f"{S1}:2",)),
    Wrong("text in every number", cells(S1, "distance", "far"), (f"{S1}:2", "distance", '"far"')),
    Wrong("NaN in every number", cells(S1, "distance", "nan"), (f"{S1}:2", "distance", "nan")),
    Wrong("infinity in every number", cells(S1, "distance", "inf"), (f"{S1}:2", "distance", "inf")),
    Wrong("zenith out of range", cells(S1, "zenith", "412-00-00"), (f"{S1}:2", "zenith", "412")),
    Wrong("direction out of range", cells(S1, "direction", "361-00-00"), (f"{S1}:2", "direction")),
    Wrong("gon read as degrees", cells(S1, "direction", "399.5"), (f"{S1}:2", "direction")),
    Wrong("distance not above 0", cells(S1, "distance", "-5"), (f"{S1}:2", "distance", "-5")),
    Wrong("unknown instrument", unknown_instrument, (f"{S1}:2", "leveller", "instruments")),
    Wrong("no raw file", no_raw_files, (YAML, "raw")),
    Wrong(
        "unknown angle unit",
        replaced(YAML, "angle: dms", "angle: degrees"),
        (f"{YAML}:2", "units.angle", "deg"),
    ),
    Wrong(
        "unknown length unit",
        replaced(YAML, "length: ft", "length: yard"),
        (f"{YAML}:2", "units.length", "ftUS"),
    ),
    Wrong("no unit", replaced(YAML, ", length: ft", ""), (f"{YAML}:2", "length")),
    Wrong("no units", replaced(YAML, "units: {angle: dms, length: ft}\n", ""), (YAML, "units")),
    Wrong(
        "unknown key", added("refraction_coeficient: 0.2"), (f"{YAML}:14", "refraction_coeficient")
    ),
    Wrong(
        "key nearly right", added("toleranses: paving"), (f"{YAML}:14", "toleranses", "tolerances")
    ),
    Wrong(
        "inner key unknown",
        replaced(YAML, "refraction: 0.13", "refracton: 0.13"),
        (f"{YAML}:10", "refracton", "refraction"),
    ),
    Wrong("key twice", added("title: again"), (f"{YAML}:14", "title")),
    Wrong(
        "text for a number",
        replaced(YAML, "confidence: 0.95", "confidence: high"),
        (f"{YAML}:12", "confidence"),
    ),
    Wrong(
        "impossible number",
        replaced(YAML, "confidence: 0.95", "confidence: 1.5"),
        (f"{YAML}:12", "confidence"),
    ),
    Wrong(
        "NaN in job.yaml",
        replaced(YAML, "confidence: 0.95", "confidence: .nan"),
        (f"{YAML}:12", "confidence"),
    ),
    Wrong(
        "infinity in job.yaml",
        replaced(YAML, "direction: 2", "direction: .inf"),
        (f"{YAML}:7", "direction"),
    ),
    Wrong("negative sd", replaced(YAML, "zenith: 2", "zenith: -2"), (f"{YAML}:7", "zenith")),
    Wrong("not YAML", replaced(YAML, "units: {", "units: {{"), (YAML,)),
    Wrong("job.yaml empty", written(YAML, ""), (YAML, "units")),
    Wrong("job.yaml a list", written(YAML, "- 1\n- 2\n"), (YAML,)),
    Wrong("raw outside", replaced(YAML, "raw/*.csv", "../*.csv"), (f"{YAML}:3", "raw", "outside")),
    Wrong(
        "raw absolute", replaced(YAML, "raw/*.csv", "/etc/*.conf"), (f"{YAML}:3", "raw", "outside")
    ),
    Wrong(
        "control outside",
        replaced(YAML, "control: control.csv", "control: ../control.csv"),
        (f"{YAML}:4", "control", "outside"),
    ),
    Wrong("control not there", gone("control.csv"), (f"{YAML}:4", "control", "control.csv")),
    Wrong(
        "unknown tolerances",
        replaced(YAML, "tolerances: paving", "tolerances: pavng"),
        (f"{YAML}:11", "paving"),
    ),
    Wrong(
        "text in control",
        cells("control.csv", "northing", "north", slice(1, 2)),
        ("control.csv:3", "northing", "north"),
    ),
    Wrong(
        "NaN in control",
        cells("control.csv", "elevation", "NaN", slice(0, 1)),
        ("control.csv:2", "elevation", "NaN"),
    ),
    Wrong(
        "infinity in control",
        cells("control.csv", "easting", "-inf", slice(0, 1)),
        ("control.csv:2", "easting"),
    ),
    Wrong(
        "negative sd in control",
        cells("control.csv", "sd_easting", "-1", slice(2, 3)),
        ("control.csv:4", "sd_easting"),
    ),
    Wrong(
        "mark twice in control", replaced("control.csv", "CP2,", "CP1,"), ("control.csv:3", "CP1")
    ),
    Wrong(
        "control without coordinates",
        replaced("control.csv", "elevation", "height"),
        ("control.csv:1", "elevation"),
    ),
    Wrong("control nobody saw", unseen_control, ("control", "CP1", "observed")),
    Wrong(
        "one control mark seen",
        written("control.csv", "point,northing,easting,elevation\nCP1,1000,3000,350\n"),
        ("control", "CP1"),
    ),
    Wrong("no common marks", strangers, ("common",)),
    Wrong(
        "local without a frame", replaced(YAML, "datum: control", "datum: local"), (YAML, "local")
    ),
    Wrong(
        "standing mark unknown",
        added("standing: [CP1, Cp22]"),
        (f"{YAML}:14", "standing", "Cp22", "no such mark. Did you mean CP2?"),
    ),
    Wrong(
        "unknown datum",
        replaced(YAML, "datum: control", "datum: grid"),
        (f"{YAML}:5", "datum", "free"),
    ),
)


def spoiled(folder: Path, edit: Edit) -> Path:
    """Copy the smallest sample job and spoil it."""
    job = copy_sample("two_setups", folder)
    edit(job)
    return job


def assert_refused(run: Output, job: Path, before: dict[str, bytes], says: tuple[str, ...]) -> None:
    """Check exit status, streams, words, and that no file came, went or changed."""
    assert run.status == 2, run.text
    assert run.text == ""
    missing = [word for word in says if word not in run.errors]
    assert not missing, f"{missing} not in: {run.errors}"
    for word in ("Traceback", "fault of the tool", "Error:", "object at 0x"):
        assert word not in run.errors
    assert files_below(job) == before


@pytest.mark.parametrize("wrong", WRONG, ids=str)
def test_wrong_input_is_told_and_nothing_is_written(
    wrong: Wrong, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each case of the list."""
    job = spoiled(tmp_path, wrong.edit)
    before = files_below(job)
    assert_refused(reconcile(capsys, job), job, before, wrong.says)


def test_earlier_results_stay_when_the_input_goes_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A good run, then a spoiled job: the results of the good run are untouched."""
    job = copy_sample("two_setups", tmp_path)
    assert reconcile(capsys, job).status == 0
    replaced(YAML, "tolerances: paving", "tolerances: none such")(job)
    before = files_below(job)
    assert_refused(reconcile(capsys, job), job, before, (f"{YAML}:11",))


def test_all_problems_of_a_file_are_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Three wrong keys are three messages, each with its line."""
    job = copy_sample("two_setups", tmp_path)
    for edit in (
        replaced(YAML, "confidence: 0.95", "confidence: high"),
        replaced(YAML, "zenith: 2", "zenith: -2"),
        replaced(YAML, "refraction: 0.13", "refracton: 0.13"),
    ):
        edit(job)
    run = reconcile(capsys, job)
    assert run.status == 2
    for line in (7, 10, 12):
        assert f"{YAML}:{line}: " in run.errors
    assert len(run.errors.strip().splitlines()) == 3


def test_problems_of_all_raw_files_are_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both raw files are wrong: both are named."""
    job = copy_sample("two_setups", tmp_path)
    written(S1, "")(job)
    written("raw/s2.csv", "setup,point\n")(job)
    run = reconcile(capsys, job)
    assert run.status == 2
    assert S1 in run.errors
    assert "raw/s2.csv" in run.errors


@pytest.mark.parametrize("folder", ["nowhere", "raw"])
def test_a_folder_that_is_no_job(
    folder: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No folder, or one without job.yaml."""
    job = copy_sample("two_setups", tmp_path)
    run = reconcile(capsys, job / folder, tmp_path / "out")
    assert run.status == 2
    assert folder in run.errors
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("out", [".", "raw", "raw/new"])
def test_results_never_go_where_the_data_is(
    out: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The job folder itself and the folder of raw files are refused as --out."""
    job = copy_sample("two_setups", tmp_path)
    before = files_below(job)
    run = reconcile(capsys, job, job / out)
    assert_refused(run, job, before, ("--out",))


def test_a_link_out_of_the_job_folder_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A raw file that is a link to somewhere else."""
    job = copy_sample("two_setups", tmp_path)
    (tmp_path / "else.csv").write_bytes((job / S1).read_bytes())
    (job / "raw" / "link.csv").symlink_to(tmp_path / "else.csv")
    run = reconcile(capsys, job)
    assert run.status == 2
    assert "raw/link.csv" in run.errors
    assert not (job / "out").exists()


@pytest.mark.parametrize("what", ["broken link", "folder", "pipe", "device"])
def test_what_is_called_like_a_raw_file_and_is_none_stops_the_run(
    what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Never a setup less in silence: the message names the thing and what it is."""
    job = copy_sample("two_setups", tmp_path)
    path = job / S1
    path.unlink()
    if what == "folder":
        path.mkdir()
    elif what == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to("/nowhere/s1.csv" if what == "broken link" else "/dev/null")
    run = reconcile(capsys, job)
    assert run.status == 2
    told = {"broken link": "a link that leads nowhere", "folder": "a folder"}
    assert f"{YAML}:3: raw 1 finds {S1}, which is {told.get(what, 'a device or the like')}" in (
        run.errors
    )
    assert not (job / "out").exists()


def test_folders_beside_raw_files_are_passed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pattern like raw/* meets folders that nobody takes for files."""
    job = copy_sample("two_setups", tmp_path)
    (job / "raw" / "photos").mkdir()
    replaced(YAML, "raw/*.csv", "raw/*")(job)
    assert reconcile(capsys, job).status == 0


def test_a_pipe_for_job_yaml_does_not_hang(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is no file: exit 2, and nothing waits for a writer."""
    job = copy_sample("two_setups", tmp_path)
    (job / YAML).unlink()
    os.mkfifo(job / YAML)
    run = reconcile(capsys, job)
    assert run.status == 2 and "a device or the like" in run.errors
