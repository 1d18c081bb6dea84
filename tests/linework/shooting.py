"""Shots of strings written as letters, for the tests of their order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from tieup.linework.shot_lines import lost_after
from tieup.linework.site_lines import SiteLine, find_lines
from tieup.model.fieldbook import InvalidRow, Shots

Shooting = Sequence[tuple[str, str]]


def shots_of(
    shooting: Shooting,
    names: Sequence[str],
    *,
    faces: Sequence[int] = (),
    strings: Mapping[str, str] | None = None,
    codes: Mapping[str, str] | None = None,
    times: Sequence[float] = (),
    copies: Sequence[int] = (),
) -> Shots:
    """Return the shots of setups (label, points in turn); a dot is a shot of no string.

    ``strings`` and ``codes`` are those of a point where they are not STR and empty; ``copies``
    are the rows that repeat an earlier one.
    """
    rows = [(setup, letter) for setup, letters in shooting for letter in letters]
    setups = list(dict.fromkeys(setup for setup, _ in shooting))
    count = len(rows)
    nothing = np.full(count, np.nan)

    def words(values: Sequence[str]) -> np.ndarray:
        return np.array(values, dtype=object)

    return Shots(
        file=np.array([setups.index(setup) for setup, _ in rows]),
        line=np.arange(count) * 10 + 2,  # room for rows that could not be read
        setup=np.array([setups.index(setup) for setup, _ in rows]),
        point=np.array([names.index(letter) for _, letter in rows]),
        direction=nothing,
        zenith=nothing,
        distance=nothing,
        target_height=nothing,
        face=np.array(faces or [1] * count),
        round=np.ones(count, dtype=np.int64),
        prism_constant=nothing,
        temperature=nothing,
        pressure=nothing,
        time=np.array(times) if len(times) else nothing,
        role=words([""] * count),
        target=words([""] * count),
        code=words([(codes or {}).get(letter, "") for _, letter in rows]),
        string=words([(strings or {}).get(x, "" if x == "." else "STR") for _, x in rows]),
        note=words([""] * count),
        field_coordinates=np.full((count, 3), np.nan),
        repeated=np.isin(np.arange(count), copies),
    )


def lines_of(
    shooting: Shooting,
    places: Mapping[str, Sequence[float]] | None = None,
    *,
    unreadable_after: Sequence[int] = (),
    **options: object,
) -> tuple[dict[str, SiteLine], list[str]]:
    """Return the lines by name, and the names of the points.

    Points without a place of their own stand 5 m apart to the north in the order of the
    alphabet. ``unreadable_after``: numbers of shots that a row follows which could not be read.
    """
    letters = sorted({letter for _, own in shooting for letter in own})
    position = np.array(
        [(places or {}).get(x, (5.0 * n, 0.0, 100.0)) for n, x in enumerate(letters)]
    )
    shots = shots_of(shooting, letters, **options)  # type: ignore[arg-type]
    invalid = [
        InvalidRow(int(shots.file[i]), int(shots.line[i]) + 1, "S1", "lost", ("zenith",), "")
        for i in unreadable_after
    ]
    lost = lost_after(invalid, shots, set(letters))
    return {line.name: line for line in find_lines(shots, lost, position)}, letters


def walked(line: SiteLine, names: Sequence[str]) -> list[str]:
    """Return the parts of a line as letters."""
    return ["".join(names[point] for point in part) for part in line.parts]


def remarks(line: SiteLine, names: Sequence[str]) -> list[tuple[str, str]]:
    """Return kind and points of every remark."""
    return [(r.kind, "".join(names[point] for point in r.points)) for r in line.remarks]
