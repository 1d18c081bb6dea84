"""An invented site whose names, codes and strings are hostile, for the files of other programs."""

from __future__ import annotations

import csv
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import Any

from tests.write.sample import make_job, make_site, table
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import COORDINATES, OBSERVATIONS, SETUPS, STRINGS
from tieup.write.exchange.content import SiteContent, site_content
from tieup.write.exchange.export_selection import Selection, choose
from tieup.write.tables import coordinates_text

HOSTILE = (
    "<script>alert(1)</script>",
    "a \"quoted\" 'one'",
    "x,y;z|w",
    "two\nlines\r\nthree\rfour",
    "=1+1",
    "+1",
    "-12",
    "@SUM(A1)",
    "#hash",
    "שלום 12",
    "مرحبا (٣)",
    "\u202eoverride",
    "🚧 joint 👷🏽‍♀️",
    "e\u0301 not é",
    "100% %%d %d %s {0}",
    "back\\slash \\u0041 \\U+0041 \\n",
    "^caret ^J ^ ",
    "tab\there",
    "bell\x07 escape\x1b delete\x7f",
    "line\u2028separator next\x85line",
    "&amp; &lt; ]]> <!-- --> <?php ?>",
    "'; DROP TABLE points; --",
    "007",
    "NULL",
    "x" * 300,
    "\\" * 300,
)
PLAIN = ("A", "B", "C", "D")


def row(number: int, name: str, **others: Any) -> dict[str, Any]:
    """Return a row of the coordinates table with coordinates of its own."""
    place = {
        "northing": 5000.0 + 1.23456 * number,
        "easting": -20.0 + 3.00005 * number,
        "elevation": 100.0 - 0.0101 * number,
    }
    sds = {"sd_northing": 0.001234, "sd_easting": 0.002, "sd_elevation": 0.0004}
    return {"point": name, **place, **sds, "role": "shot", "proof": "unchecked"} | others


def sights(setup: str, *points: str) -> list[dict[str, Any]]:
    """Return the rows of the observations table of one setup that shot points in order."""
    return [
        {"file": f"raw/{setup}.csv", "line": line, "setup": setup, "point": point, "kind": kind}
        for line, point in enumerate(points, start=2)
        for kind in ("direction", "zenith", "distance")
    ]


def hostile_site(folder: Path, length_unit: str = "m", **job: Any) -> Reconciliation:
    """Return a site with every hostile text as a point's name, code and string.

    Beside them: a mark S1 and a free station S1, a mark without elevation, one without
    coordinates.
    """
    rows = [
        row(number, text, code=text, string=text, proof="checked" if number % 2 else "unchecked")
        for number, text in enumerate(HOSTILE)
    ]
    rows += [row(50 + n, f"{PLAIN[0]}{n}", string=text) for n, text in enumerate(HOSTILE)]
    nan = float("nan")
    rows += [
        row(90, "S1", role="control", proof="held", sd_northing=0.0),
        row(91, "plan only", elevation=nan, sd_elevation=nan),
        row(92, "nowhere", northing=nan, easting=nan, elevation=nan),
        row(93, "S1", role="station", setups="S1"),
    ]
    observations = [
        shot
        for number, text in enumerate(HOSTILE)
        for shot in sights("S1", text, f"{PLAIN[0]}{number}")
    ]
    strings = [
        {"string": text, "code": text, "part": 1, "number": place, "point": point}
        for number, text in enumerate(HOSTILE)
        for place, point in enumerate((text, f"{PLAIN[0]}{number}"), start=1)
    ]
    return replace(
        make_site(folder, ties=True),
        job=make_job(folder, length_unit=length_unit, **job),
        coordinates=table(COORDINATES, rows),
        observations=table(OBSERVATIONS, observations),
        setups=table(SETUPS, [{"setup": "S1"}, {"setup": "S2", "station": "CP1"}]),
        strings=table(STRINGS, strings),
    )


def content_of(
    site: Reconciliation, unit: str = "", draft: str = "", **asked: tuple[str, ...]
) -> SiteContent:
    """Return what the files carry, in the job's own unit unless another is named."""
    chosen = choose(site, Selection(**asked))
    unit = unit or site.job.length_unit
    return site_content(site, unit, chosen, written="2024-05-01T10:00:00+00:00", draft=draft)


def truth(site: Reconciliation) -> list[dict[str, str]]:
    """Return the rows of coordinates.csv that are ground and have a place, by Python's own csv."""
    rows = csv.DictReader(StringIO(coordinates_text(site), newline=""))
    ground = [row for row in rows if (row["role"], row["setups"]) != ("station", "S1")]
    return [row for row in ground if row["northing"] and row["easting"]]


def number(cell: str) -> float | None:
    """Return a cell of coordinates.csv as a number, None where it is empty."""
    return float(cell) if cell else None
