"""Who is who: one point under two names, names that differ by a dash.

Proposals for a person. Nothing is merged and nothing renamed here; names that stand for
two places are told apart by `split_collisions`, before anything else is explained.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.names.collisions import split_collisions
from tieup.diagnose.names.name_visits import MARK_ROLES
from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.model.finding import Finding
from tieup.model.finding_kinds import SIMILAR_NAMES, UNRECOGNISED_TIE

__all__ = ["identity_findings", "split_collisions"]

ONE_PLACE = 0.015  # m in plan and in height; nearer, two names may be one mark
SIGMAS = 4.0  # and within so many sds of their difference
FAR = 0.5  # m; names this far apart are two marks
SEPARATOR = re.compile(r"(?<=[^\W\d_])[\W_]+(?=\d)|(?<=\d)[\W_]+(?=[^\W\d_])|[\s_]+")
ZEROS = re.compile(r"(?<![\d.,])0+(?=\d)")


@dataclass(frozen=True)
class SolvedMarks:
    """Marks of a solved site: ``place`` (P, 3) in m of the job's frame, NaN where unknown.

    ``visits`` (v, 2) are mark and setup of every sighting and occupation, once each and in order;
    ``known`` the names of control, ``mark`` (P,) says which are more than side shots.
    """

    names: tuple[str, ...]
    place: FloatArray
    covariance: FloatArray
    visits: IntArray
    labels: tuple[str, ...]
    known: frozenset[str]
    mark: BoolArray

    def setups(self, point: int) -> frozenset[int]:
        """Return the setups that sighted or occupied a mark."""
        start, end = np.searchsorted(self.visits[:, 0], [point, point + 1])
        return frozenset(self.visits[start:end, 1].tolist())


def identity_findings(solved: Solved) -> list[Finding]:
    """Return findings about names: one mark under two, and names that look alike."""
    seen = _seen(solved)
    alike = _alike(seen)
    taken = {frozenset(pair) for group in alike for pair in combinations(group, 2)}
    findings = [_similar(seen, group) for group in alike]
    for one, other in _one_place(seen):
        if frozenset((one, other)) not in taken:
            findings.append(_unrecognised(seen, one, other))
    return findings


def normal_form(name: str) -> str:
    """Return a name without case, without leading zeros, without dashes before a number.

    >>> {normal_form(name) for name in ("CP3", "CP-3", "cp3", "CP 3", "CP03")}
    {'cp3'}
    >>> normal_form("1-01") == normal_form("101")
    False
    """
    form = name.casefold().strip()
    if not (form.isascii() and form.isalnum()):
        form = SEPARATOR.sub("", form)
    return ZEROS.sub("", form) if "0" in form else form


def normal_forms(names: Sequence[str]) -> list[str]:
    """Return the `normal_form` of each name; plain ones, as most jobs have, in one go.

    >>> normal_forms(["A1", "A01", "B2"]), normal_forms(["A-1", "A01"])
    (['a1', 'a1', 'b2'], ['a1', 'a1'])
    """
    together = "".join(names)
    if together.isascii() and together.isalnum():
        return ZEROS.sub("", "\n".join(names).casefold()).split("\n")
    return [normal_form(name) for name in names]


def _seen(solved: Solved) -> SolvedMarks:
    network, adjustment = solved.network, solved.adjustment
    place = adjustment.position + network.origin
    place[~network.start.height_point, 2] = np.nan
    place = np.where(np.isfinite(place), place, network.control + network.origin)
    over = np.flatnonzero(network.station >= 0)
    point = np.concatenate([network.sights.point, network.station[over]])
    setup = np.concatenate([network.sights.setup, over])
    visits, _ = distinct_pairs(point, setup)
    case = solved.case
    mark = np.bincount(visits[:, 0], minlength=len(network.point_names)) > 1
    mark[case.shots.point[np.isin(case.shots.role, MARK_ROLES)]] = True
    return SolvedMarks(
        network.point_names,
        place,
        adjustment.point_covariance,
        visits,
        network.setup_labels,
        frozenset(case.given.names if case.given is not None else ()),
        mark,
    )


def _one_place(seen: SolvedMarks) -> Iterator[tuple[int, int]]:
    """Give pairs of points at one place that no setup shot both of."""
    from scipy.spatial import cKDTree

    placed = np.flatnonzero(np.isfinite(seen.place).all(axis=1))
    if len(placed) < 2:
        return
    tree = cKDTree(seen.place[placed, :2])
    for one, other in sorted(tree.query_pairs(ONE_PLACE)):
        pair = int(placed[one]), int(placed[other])
        if _coincide(seen, *pair) and not seen.setups(pair[0]) & seen.setups(pair[1]):
            yield pair


def _coincide(seen: SolvedMarks, one: int, other: int) -> bool:
    """Say whether two points are within the limit, in height too, and within their sds."""
    difference = seen.place[other] - seen.place[one]
    if abs(difference[2]) > ONE_PLACE or {seen.names[one], seen.names[other]} <= seen.known:
        return False
    covariance = seen.covariance[one] + seen.covariance[other]
    if not np.isfinite(covariance).all():
        return True
    spread = (
        np.sqrt(np.maximum(np.linalg.eigvalsh(covariance), 0.0))
        if covariance.any()
        else np.zeros(3)
    )
    return bool(np.linalg.norm(difference) <= SIGMAS * max(float(spread[-1]), 0.001))


def _unrecognised(seen: SolvedMarks, one: int, other: int) -> Finding:
    """Propose two points as one, and say what the tie would add."""
    first, second = _known_first(seen, one, other)
    a, b = seen.names[first], seen.names[second]
    gap = seen.place[second] - seen.place[first]
    where = _labels(seen, second)
    mark = a in seen.known or seen.mark[first] or seen.mark[second]
    return UNRECOGNISED_TIE.found(
        severity="check" if mark else "note",
        setup=where[0] if len(where) == 1 else "",
        points=(b, a),
        says=f"{b} ({_list(where)}) and {a} ({_list(_labels(seen, first))}) lie {_apart(gap)} from "
        "each other: perhaps one mark under two names. As one it would add 3 checks "
        "(northing, easting, elevation). They are not merged.",
        confirm=f"Compare the descriptions of {a} and {b}, or look whether two marks are there.",
        cure=f"If they are one: decisions: rename {b} to {a}.",
    )


def _known_first(seen: SolvedMarks, one: int, other: int) -> tuple[int, int]:
    """Return control before other points, and what more setups saw before what fewer saw."""

    def rank(point: int) -> tuple[bool, int, int]:
        return seen.names[point] not in seen.known, -len(seen.setups(point)), point

    first, second = sorted((one, other), key=rank)
    return first, second


def _alike(seen: SolvedMarks) -> list[tuple[int, ...]]:
    """Return groups of points whose names differ only in how they are written."""
    forms = normal_forms(seen.names)
    several = {form for form, count in Counter(forms).items() if count > 1}
    groups: dict[str, list[int]] = {}
    for number, form in enumerate(forms):
        if form in several:
            groups.setdefault(form, []).append(number)
    return [tuple(group) for group in groups.values()]


def _similar(seen: SolvedMarks, group: tuple[int, ...]) -> Finding:
    """Say that names look alike, and whether they are of one place."""
    ordered = sorted(
        group, key=lambda p: (seen.names[p] not in seen.known, -len(seen.setups(p)), p)
    )
    names = tuple(seen.names[point] for point in ordered)
    main, others = ordered[0], ordered[1:]
    severity, what = _of_one_place(seen, main, others)
    setups = sorted(set().union(*(seen.setups(point) for point in others)))
    labels = [seen.labels[setup] for setup in setups]
    return SIMILAR_NAMES.found(
        severity=severity,
        setup=labels[0] if len(labels) == 1 else "",
        points=tuple(sorted(names)),
        says=f"The names {_list(list(names))} differ only in how they are written. {what}",
        confirm="Compare the field books; look at the mark.",
        cure=f"If they are one mark: decisions: rename {_list(list(names[1:]))} to {names[0]}.",
    )


def _of_one_place(seen: SolvedMarks, main: int, others: list[int]) -> tuple[str, str]:
    """Return severity and words for where points of like names lie."""
    both = bool(set().union(*(seen.setups(p) for p in others)) & seen.setups(main))
    if both:
        return "note", "One setup shot both: they are taken as two marks."
    gaps = [seen.place[point] - seen.place[main] for point in others]
    if not np.isfinite(np.array(gaps)[:, :2]).all():
        return "check", "Not all of them have coordinates, so their places cannot be compared."
    widest = max(gaps, key=lambda gap: float(np.hypot(gap[0], gap[1])))
    plan = float(np.hypot(widest[0], widest[1]))
    up = 0.0 if np.isnan(widest[2]) else abs(float(widest[2]))
    if plan <= ONE_PLACE and up <= ONE_PLACE:
        return "check", (
            f"They lie {_apart(widest)} from each other: one mark, it seems. As one it would add "
            f"{3 * len(others)} checks. They are not merged."
        )
    if plan > FAR:
        return "note", f"They lie {plan:.2f} m from each other: two marks."
    return "check", f"They lie {_apart(widest)} from each other: one mark and a mistake, or two."


def _labels(seen: SolvedMarks, point: int) -> list[str]:
    return [seen.labels[setup] for setup in sorted(seen.setups(point))]


def _apart(gap: FloatArray) -> str:
    plan = 1000.0 * float(np.hypot(gap[0], gap[1]))
    if np.isnan(gap[2]):
        return f"{plan:.0f} mm in plan"
    return f"{plan:.0f} mm in plan and {abs(1000.0 * float(gap[2])):.0f} mm in height"


def _list(names: list[str]) -> str:
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]])) if names else "no setup"
