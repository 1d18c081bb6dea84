"""Tell the setups of a site apart: one label in two files, one label levelled up again.

Takes the rows of all files, gives each row its setup within its file, and each setup its
name on the site.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tieup.model.arrays import BoolArray, IntArray, TextArray
from tieup.model.fieldbook import Setup
from tieup.model.settings import DEFAULT_INSTRUMENT
from tieup.read.numbered_texts import by_appearance, pair_codes, text_codes, value_codes


@dataclass(frozen=True)
class Levellings:
    """The setups of every file on its own, in recorded order; R rows, s setups.

    ``of_row`` (R,) numbers the setup of each row, -1 where the row has none. ``identity``
    (s,) is equal for setups of equal name, station, height and instrument in two files.
    ``setups`` have no label yet.
    """

    of_row: IntArray
    identity: IntArray
    setups: tuple[Setup, ...]


def find_levellings(
    file: IntArray, values: Mapping[str, NDArray[Any]], trusted: BoolArray, files: Sequence[str]
) -> Levellings:
    """Split the rows of each file into setups.

    One label in one file with different stations, instrument heights or instruments is
    several setups: the instrument was levelled up again. An empty cell takes the last
    value of its label, the first rows the first value.

    Parameters
    ----------
    file (R,)
        Number of the file of each row, and in ``files`` their names.
    values
        The columns setup, station, instrument_height (m) and instrument, (R,) each.
    trusted (R,)
        Rows whose cells stand in the right columns; the others say nothing of a setup.
    """
    of_row = np.full(len(file), -1, dtype=np.int64)
    rows = np.flatnonzero(trusted & (values["setup"] != ""))
    name, names = text_codes(values["setup"][rows])
    group = pair_codes(file[rows], name)
    carry = _carrier(group)
    station, stations = _carried_texts(carry, values["station"][rows])
    instrument, instruments = _carried_texts(carry, values["instrument"][rows])
    height = values["instrument_height"][rows]
    heights = carry(value_codes(height))
    booked = np.append(np.unique(height[~np.isnan(height)]), np.nan)  # code -1 finds the NaN
    identity = pair_codes(pair_codes(name, station), pair_codes(heights, instrument))
    of_row[rows], first = by_appearance(pair_codes(group, identity))
    setups = tuple(
        Setup(
            label="",
            name=names[name[i]],
            file=files[file[rows[i]]],
            station=stations[station[i]],
            # A free station is its own trunnion axis: a height booked there means nothing.
            instrument_height=float(booked[heights[i]]) if stations[station[i]] else 0.0,
            instrument=instruments[instrument[i]] or DEFAULT_INSTRUMENT,
            idle_height=_idle(float(booked[heights[i]]), stations[station[i]]),
        )
        for i in first
    )
    return Levellings(of_row, identity[first], setups)


def _idle(height: float, station: str) -> float | None:
    return None if station or math.isnan(height) or height == 0.0 else height


def _carried_texts(carry: _Carry, texts: TextArray) -> tuple[IntArray, tuple[str, ...]]:
    """Return codes of texts carried over empty cells; code -1 finds the empty text."""
    codes, distinct = text_codes(texts)
    blank = distinct.index("") if "" in distinct else len(distinct)
    return carry(np.where(codes == blank, -1, codes)), (*distinct, "")


_Carry = Callable[[IntArray], IntArray]


def _carrier(group: IntArray) -> _Carry:
    """Return what carries the last known code (not -1) of each group on, and the first back."""
    order = np.argsort(group, kind="stable")
    members, place = group[order], np.arange(len(group))
    begin, end = (np.searchsorted(members, members, side=side) for side in ("left", "right"))

    def carry(codes: IntArray) -> IntArray:
        known = codes[order]
        last = np.maximum.accumulate(np.where(known >= 0, place, -1))
        following = np.minimum.accumulate(np.where(known >= 0, place, len(place))[::-1])[::-1]
        source = np.where(last >= begin, last, np.where(following < end, following, place))
        carried = np.empty_like(codes)
        carried[order] = known[source]
        return carried

    return carry


def merge_copies(levellings: Levellings, original: IntArray) -> IntArray:
    """Say which setups are one and the same because a second file repeats the first.

    Two setups of equal identity are one when at least half the rows of the shorter one are
    repeated rows: a file copied under another name, or an export that goes on where the
    last one stopped.

    Parameters
    ----------
    original (R,)
        The earlier row that each row repeats, or its own number.

    Returns
    -------
    For each setup, shape (s,), the number of the setup it is part of (its own or earlier).
    """
    count = len(levellings.setups)
    part_of = np.arange(count)
    repeats = np.flatnonzero(original != np.arange(len(original)))
    size = np.bincount(levellings.of_row[levellings.of_row >= 0], minlength=count)
    pairs = np.column_stack([levellings.of_row[repeats], levellings.of_row[original[repeats]]])
    for (later, earlier), shared in zip(*np.unique(pairs, axis=0, return_counts=True), strict=True):
        if later != earlier and shared * 2 >= min(size[later], size[earlier]):
            part_of[later] = part_of[earlier]
    return part_of


def label_setups(setups: Iterable[Setup]) -> tuple[Setup, ...]:
    """Give each setup a label that is unique on the site.

    A name that one file only uses is its label; levelled up again it is ``S1~2``. A name
    in two files becomes ``S1@day1.csv`` and ``S1@day2.csv``, with the folder before the
    file's name where two files share that.
    """
    known = tuple(setups)
    files: dict[str, list[str]] = {}
    for setup in known:
        files.setdefault(setup.name, []).append(setup.file)
    taken: set[str] = set()
    labelled = []
    for setup in known:
        suffix = _file_suffix(setup.file, set(files[setup.name]))
        number = 1
        while (label := _label(setup.name, number, suffix)) in taken:
            number += 1
        taken.add(label)
        labelled.append(replace(setup, label=label))
    return tuple(labelled)


def _label(name: str, number: int, suffix: str) -> str:
    return f"{name}~{number}{suffix}" if number > 1 else f"{name}{suffix}"


def _file_suffix(file: str, sharing: set[str]) -> str:
    if len(sharing) == 1:
        return ""
    short = [other.rsplit("/", 1)[-1] for other in sharing]
    return "@" + (file.rsplit("/", 1)[-1] if len(set(short)) == len(short) else file)
