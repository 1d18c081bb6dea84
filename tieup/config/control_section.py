"""Check what job.yaml says of the list of known marks: its file alone, or how it is written."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tieup.config.files import find_file
from tieup.config.layout_section import check_columns, check_form
from tieup.config.yaml_nodes import YamlReading
from tieup.errors import InputError
from tieup.read.form import KEYS
from tieup.read.openable import file_content, unreadable_as

CONTROL_FILE = "control.csv"
OUT, COVARIANCE_FILE, RUN_FILE = "out", "covariance.csv", "run.json"
_OF_TABLES = ("columns", *KEYS)
COORDINATES = ("northing", "easting", "elevation")


def control_file(control: Any) -> tuple[str | None, str]:
    """Return the file that ``control:`` names, None for none, and the key that names it."""
    if isinstance(control, dict):
        return control.get("file", CONTROL_FILE), "control.file"
    return control, "control"


def find_control(home: Path, control: Any, reading: YamlReading) -> tuple[Path | None, bool]:
    """Return the file of known marks and whether it is another job's; None where there is none."""
    if not isinstance(control, dict) or not control.get("job"):
        return find_file(home, *control_file(control), reading), False
    return _job_file(home, control, reading), True


def find_covariance(home: Path, values: dict[str, Any], reading: YamlReading) -> Path | None:
    """Return the covariance that belongs to the list; note one beside another job's marks."""
    control, named = values["control"], values["control_covariance"]
    if named and isinstance(control, dict) and control.get("job"):
        told = "is for a list, and control.job takes another job's marks with theirs. Take one out"
        reading.note_key("control_covariance", told)
    return find_file(home, named, "control_covariance", reading)


def _job_file(home: Path, control: dict[str, Any], reading: YamlReading) -> Path | None:
    """Return the covariance of another job; note what is wrong with it."""
    named = str(control["job"])
    if others := [key for key in control if key not in ("job", "marks")]:
        told = f"is for a list, and control.job takes another job's marks. Take {others[0]} out"
        reading.note_key(f"control.{others[0]}", told)
    folder = (home / named).resolve()
    path = folder / OUT / COVARIANCE_FILE
    if folder == home:
        reading.note_key("control.job", "is this job. Name the folder of an earlier one")
    elif not (folder / "job.yaml").is_file():
        reading.note_key("control.job", f'is "{named}", and there is no job. Name a job folder')
    elif what := unreadable_as(path):
        reading.note_key("control.job", f'is "{named}", and its {OUT}/{path.name} is {what}')
    elif not path.is_file():
        told = f'is "{named}", and {OUT}/{COVARIANCE_FILE} is not there. Run tieup reconcile on it'
        reading.note_key("control.job", told)
    elif _fails(folder / OUT / RUN_FILE):
        told = f'is "{named}", and that job does not tie. Settle it first: its marks may be wrong'
        reading.note_key("control.job", told)
    else:
        return path
    return None


def _fails(record: Path) -> bool:
    """Say whether the record of a run has it that the site fails."""
    try:
        document = json.loads(file_content(record, record.name))
        return bool(document.get("verdict") == "fails")
    except (InputError, ValueError, AttributeError, RecursionError):
        return False  # an older or a foreign record says nothing


def read_control_table(control: Any, reading: YamlReading) -> dict[str, Any]:
    """Return how the list is written for `Job.control_table`; note what does not fit together."""
    if not isinstance(control, dict):
        return {}
    table = {key: value for key, value in control.items() if key not in ("file", "job")}
    if "columns" in table:
        table["columns"] = _sources(table["columns"])
    if str(control_file(control)[0]).lower().endswith(".xml"):
        for key in (key for key in _OF_TABLES if key in table):
            reading.note_key(
                f"control.{key}", "is for tables, and the file is LandXML. Take it out"
            )
    if not reading.sound("control"):
        return table
    table |= check_form(table, reading, "control.")
    if reading.sound("control"):
        _check_columns(table, reading)
    _check_marks(table, reading)
    return table


def _sources(columns: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {
        name: source if isinstance(source, dict) else {"column": source}
        for name, source in columns.items()
        if source is not None
    }


def _check_columns(table: dict[str, Any], reading: YamlReading) -> None:
    columns, header = table.get("columns", {}), table.get("header", True)
    for key, problem in check_columns("control.columns", columns, header):
        reading.note_key(key, problem)
    if not columns:
        if not header:
            told = "is false. Expected control.columns with the position of each"
            reading.note_key("control.header", told)
        return
    if "point" not in columns:
        reading.note_key("control.columns", "has no point")
    if not any(name in columns for name in COORDINATES):
        told = f"has no coordinate. Expected one or more of {', '.join(COORDINATES)}"
        reading.note_key("control.columns", told)
    if ("northing" in columns) != ("easting" in columns):
        lacking = "easting" if "northing" in columns else "northing"
        reading.note_key("control.columns", f"has no {lacking}. A place in plan needs both")


def _check_marks(table: dict[str, Any], reading: YamlReading) -> None:
    marks = table.get("marks")
    if isinstance(marks, list) and (not marks or not all(marks)):
        reading.note_key("control.marks", "names no mark. Expected all, or a list of names")
