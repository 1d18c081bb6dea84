"""Strings and falls for the invented sites of the page's tests."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.write.sample import table
from tieup.model.finding import Finding
from tieup.model.reconciliation import Reconciliation
from tieup.write.columns import FALLS, STRINGS

FALL = Finding(
    kind="fall",
    severity="check",
    points=("M1", "M2"),
    lines=("job.yaml:20",),
    says="Fall apron: M1 to M2 falls 0.62 %, at most 0.70 %; at least 1 % is asked for.",
    confirm="Level between the two places, or shoot both again from one setup.",
    cure="Regrade it.",
    key="apron",
)


def with_strings(site: Reconciliation) -> Reconciliation:
    """Return a site with its strings, each one part in the order of the coordinates."""
    names = [str(name) for name in site.coordinates["string"]]
    rows = []
    for string in dict.fromkeys(filter(None, names)):
        own = [row for row, name in enumerate(names) if name == string]
        for number, row in enumerate(own, start=1):
            leg = {"length": 4.0, "sd_length": 0.0012, "drop": 0.02, "sd_drop": 0.0015}
            leg |= {"fall": 0.5 - 0.1 * number, "sd_fall": 0.04, "setups": "S1"}
            leg |= {"joint": "across" if number == 5 else "within"}
            rows.append(
                {"string": string, "code": "curb", "part": 1, "number": number}
                | {"point": site.coordinates["point"][row], "chainage": 4.0 * (number - 1)}
                | {"sd_chainage": 0.001 * number**0.5}
                | (leg if number > 1 else {})
                | {"low_spot": {7: "low", 9: "perhaps"}.get(number, "")}
                | {"remarks": "turns back here" if number == 8 else ""}
            )
    return replace(site, strings=table(STRINGS, rows))


def with_falls(site: Reconciliation) -> Reconciliation:
    """Return a site of which one fall fails, one cannot be told and one passes."""
    rows = [
        {"check": check, "from": "M1", "to": "CURB-1 between 115 and 116", "verdict": verdict}
        | {"length": 12.5, "fall": fall, "sd_fall": 0.05, "minimum": 1.0, "maximum": np.nan}
        | {"reason": reason, "joint": "across", "setups": "S1 S2"}
        for check, verdict, fall, reason in (
            ("gate", "pass", 1.6, ""),
            ("apron", "pass", 1.4, ""),
            ("apron", "fail", 0.62, "at most 0.70 %"),
            ("lane", "cannot tell", 1.02, "from 0.94 to 1.10 %"),
        )
    ]
    verdict = replace(site.verdict, falls=("apron 0.62 %, at least 1 % is asked for",))
    return replace(site, falls=table(FALLS, rows), findings=(*site.findings, FALL), verdict=verdict)
