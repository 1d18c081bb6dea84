"""Load a job: read job.yaml strictly, find its files, bring every value to SI."""

from __future__ import annotations

import hashlib
import os
import re
from contextlib import suppress
from pathlib import Path
from typing import Any

from tieup.config.control_section import (
    CONTROL_FILE,
    control_file,
    find_control,
    find_covariance,
    read_control_table,
)
from tieup.config.decisions_section import read_decisions
from tieup.config.derived_section import read_derived
from tieup.config.falls_section import read_falls
from tieup.config.files import find_audit_rules, find_file, find_raw, find_rules
from tieup.config.gear_section import read_grid, read_precision
from tieup.config.layout_section import read_layout
from tieup.config.schema import SCHEMA
from tieup.config.standing_section import read_standing
from tieup.config.surfaces_section import read_surfaces
from tieup.config.tolerances_section import find_tolerances
from tieup.config.yaml_nodes import YamlReading, parse_yaml
from tieup.errors import ConfigError
from tieup.geometry import TWO_PI
from tieup.model.job import Job, readable
from tieup.model.settings import Datum, LocalDatum, Tolerances
from tieup.read.cells import SMALLEST_SD
from tieup.read.openable import unreadable_as
from tieup.units import length_factor, parse_angles

JOB_FILE = "job.yaml"
MAY_NAME_A_JOB = re.compile(rb"^[^#\n]*\bjob[\"']?\s*:", re.MULTILINE)
_MM = length_factor("mm")


def load_job(folder: Path | str, *, planning: bool = False) -> Job:
    """Read the job.yaml of a folder into a checked job.

    When ``planning``, a job that names a plan needs no raw files yet.

    Raises
    ------
    ConfigError
        There is no such job, or its job.yaml has unknown keys, wrong types, impossible
        values, or names files that are not there; every problem of the file at once.
    """
    home = _home(Path(folder))
    reading = YamlReading(JOB_FILE)
    content = _job_content(home)
    values = SCHEMA.read(parse_yaml(_job_text(content), reading), "", reading)
    # A wrong unit is noted; any other lets the rest of the file be checked all the same.
    units = {"angle": values["units"]["angle"] or "deg", "length": values["units"]["length"] or "m"}
    factor = length_factor(units["length"])
    _fill_defaults(home, values)
    job = Job(
        folder=home,
        title=values["title"] or readable(home.name),
        angle_unit=units["angle"],
        length_unit=units["length"],
        raw_files=(
            raw_files := find_raw(
                home,
                values["raw"],
                reading,
                needed=not (values["levels"] or values["baselines"]),
                awaited=planning and bool(values["plan"]),
            )
        ),
        control_file=(control := find_control(home, values["control"], reading))[0],
        control_job=control[1],
        covariance_file=find_covariance(home, values, reading),
        control_table=read_control_table(values["control"], reading),
        control_sd=_control_sd(values["control_sd"] * factor, reading),
        datum=_datum(values, units["angle"], factor, reading),
        precision=read_precision(values, reading),
        grid=read_grid(values["grid"], factor, reading),
        refraction=values["atmosphere"]["refraction"],
        tolerances=(tolerances := find_tolerances(values["tolerances"], factor, reading)),
        confidence=values["confidence"],
        decisions=read_decisions(values["decisions"], factor, reading),
        derived=read_derived(values["derived"], units["angle"], factor, reading),
        falls=read_falls(values["falls"], reading),
        surfaces=read_surfaces(values["surfaces"], home, factor, reading),
        table=(table := read_layout(values, reading)),
        resolved=_resolved(values, table, tolerances, factor),
        levels_file=find_file(home, values["levels"], "levels", reading),
        levels_sd=None if values["levels_sd"] is None else values["levels_sd"] * _MM,
        tapes_file=find_file(home, values["tapes"], "tapes", reading),
        rules=find_rules(home, tolerances.name, values["rules"], reading),
        baselines_file=find_file(home, values["baselines"], "baselines", reading),
        audit_rules=find_audit_rules(home, values["audit"], reading),
        plan_places=find_file(home, values["plan"].get("places"), "plan.places", reading),
        plan_sights=find_file(home, values["plan"].get("sights"), "plan.sights", reading),
        azimuths=values["azimuths"],
        **read_standing(values["standing"], reading),
        sha256=hashlib.sha256(content).hexdigest(),
    )
    if planning and not (raw_files or values["plan"] or values["levels"] or values["baselines"]):
        reading.note_key(
            "plan", "is missing. Expected plan: {places: places.csv, sights: sights.csv}"
        )
    reading.raise_problems()
    return job


def control_job(folder: Path) -> Path | None:
    """Return the whole path of the job whose marks a job takes, None where it takes none.

    A job.yaml that cannot be read takes none: what is wrong with it is told when it is loaded.
    """
    with suppress(ConfigError, OSError):
        home, reading = _home(folder), YamlReading(JOB_FILE)
        content = _job_content(home)
        if MAY_NAME_A_JOB.search(content) is None:  # most do not, and to parse one takes long
            return None
        values = SCHEMA.read(parse_yaml(_job_text(content), reading), "", reading)
        if isinstance(values["control"], dict) and values["control"].get("job"):
            return (home / str(values["control"]["job"])).resolve()
    return None


def _home(folder: Path) -> Path:
    """Return the whole path of a job folder, which may be none."""
    try:
        home = folder.resolve()
        with suppress(FileNotFoundError, NotADirectoryError):
            home.stat()
    except (OSError, ValueError, RuntimeError) as error:  # too long, a loop of links, deleted
        reason = getattr(error, "strerror", None) or str(error)
        raise ConfigError(f"{folder}: is no folder ({reason}). Expected a job folder") from error
    return home


def _job_text(content: bytes) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ConfigError(f"{JOB_FILE}: is not UTF-8 text ({error.reason})") from error


def _job_content(home: Path) -> bytes:
    path = home / JOB_FILE
    if home.is_file():
        job = _job_above(home)
        told = f"Name its job folder: {job}" if job else f"Expected a job folder with {JOB_FILE}"
        raise ConfigError(f"{home}: is a file. {told}")
    if not home.is_dir():
        raise ConfigError(f"{home}: there is no such folder. Expected a job folder with {JOB_FILE}")
    if what := unreadable_as(path):
        raise ConfigError(f"{path}: is {what}. Expected a job folder with {JOB_FILE}")
    try:
        return path.read_bytes()
    except OSError as error:
        job = _job_above(home)
        told = f"Name its job folder: {job}" if job else f"Expected a job folder with {JOB_FILE}"
        raise ConfigError(f"{path}: cannot be opened ({error.strerror}). {told}") from error


def _job_above(path: Path) -> Path | None:
    """Return the job folder that a file or a folder stands in, None where it is in none."""
    return next((above for above in path.parents if (above / JOB_FILE).is_file()), None)


def _fill_defaults(home: Path, values: dict[str, Any]) -> None:
    """Fill in the two defaults that depend on whether there is a control list.

    A job that needs no control may name the usual list, as a new job does, and have none.
    """
    there = os.path.lexists(home / CONTROL_FILE)  # what is there and no list is told, not passed
    values["control"] = values["control"] or None
    if values["control"] is None and there:
        values["control"] = CONTROL_FILE
    own_frame = values["datum"] in ("free", "local")
    another = isinstance(values["control"], dict) and values["control"].get("job")
    if control_file(values["control"])[0] == CONTROL_FILE and not (there or another) and own_frame:
        values["control"] = None
    if values["datum"] is None:
        values["datum"] = "control" if values["control"] else "free"


def _datum(values: dict[str, Any], angle_unit: str, factor: float, reading: YamlReading) -> Datum:
    kind, local = values["datum"], values["local"]
    if kind == "control" and not values["control"]:
        reading.note_key(
            "datum",
            f"is control, and there is no {CONTROL_FILE}. Add it, or state "
            "datum: free or datum: local",
        )
    if kind != "local":
        return Datum(kind)
    if local["point"] is None and reading.sound("local"):
        reading.note_key("datum", "is local. Expected local: {point: S1, toward: CP1, azimuth: 0}")
    azimuth, bad = parse_angles([local["azimuth"]], angle_unit)
    if bad and reading.sound("units"):
        reading.note_key("local.azimuth", f'"{local["azimuth"]}" {bad[0]} (units.angle)')
    elif abs(azimuth[0]) > TWO_PI * (1.0 + 1e-9):
        reading.note_key("local.azimuth", f"is {local['azimuth']}. Expected at most a full circle")
    return Datum(
        kind,
        LocalDatum(
            point=local["point"] or "",
            northing=local["northing"] * factor,
            easting=local["easting"] * factor,
            elevation=local["elevation"] * factor,
            toward=local["toward"] or "",
            azimuth=float(azimuth[0]),
        ),
    )


def _control_sd(sd: float, reading: YamlReading) -> float:
    """Return ``control_sd`` in m; note one that no mark can have and that is not 0."""
    if 0.0 < sd < SMALLEST_SD:
        told = "is finer than any mark is known. Expected 0 (held), or an sd that it can have"
        reading.note_key("control_sd", told)
    return sd


def _resolved(
    values: dict[str, Any], table: dict[str, Any], tolerances: Tolerances, factor: float
) -> dict[str, Any]:
    """Return job.yaml with every default filled in, in the job's own units."""
    return {
        **values,
        **table,
        "local": values["local"] if values["datum"] == "local" else None,
        "raw": list(values["raw"]),
        "decisions": list(values["decisions"]),
        "derived": list(values["derived"]),
        "falls": list(values["falls"]),
        "surfaces": dict(values["surfaces"]),
        "rules": list(values["rules"]),
        "tolerances": {
            "name": tolerances.name,
            "horizontal": round(tolerances.horizontal / factor, 9),
            "elevation": round(tolerances.elevation / factor, 9),
            "source": tolerances.source,
        },
    }
