"""What a surface of a site is made of: its points by role, proof and name, lines, rings, inlets.

Instruments, disputed points and other places of marks never take part unless their proof or role
is asked for. A typed elevation stands in for the point that it is typed over.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array

from tieup.adjust.cofactors import Functions, covariance, point_functions
from tieup.derive.placed import PlacedPoint
from tieup.derive.places import Places
from tieup.derive.points import DerivedPoints
from tieup.derive.slopes import Slopes
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.derived import Typed
from tieup.model.point_words import DISPUTED
from tieup.model.reconciliation import Table
from tieup.model.surfaces import SurfaceWish
from tieup.results.site import Site
from tieup.surface.seams import SHARED
from tieup.surface.spread import HeightSpread, factor_of
from tieup.surface.whole_surface import SurfaceGround, ring_area

NO_HEIGHT, NO_PLACE = "no height", "no place"


@dataclass(frozen=True)
class LeftOut:
    """A point that was asked for and takes no part.

    ``why`` is no height, no place, or the proof that is not allowed; ``of`` the string or code it
    belongs to; ``ring`` whether that string is the boundary or a hole.
    """

    name: str
    why: str
    of: str
    ring: bool


@dataclass(frozen=True)
class SiteGround:
    """The ground of one surface: ``number`` (n,) of its points among all places, their ``names``,
    ``rows`` (n,) of the coordinates table. ``line_names`` are those of the lines and rings of
    ``ground``, in order, ``unclosed`` rings that are open strings. ``left_out`` are points that
    were asked for and take no part; ``whole_area`` (m^2) is that inside of the boundary and outside
    of the holes with all their points, NaN where that is not known.
    """

    wish: SurfaceWish
    ground: SurfaceGround
    number: IntArray
    names: tuple[str, ...]
    rows: IntArray
    line_names: tuple[str, ...]
    unclosed: tuple[str, ...]
    left_out: tuple[LeftOut, ...] = ()
    whole_area: float = np.nan


@dataclass(frozen=True)
class SiteHeights:
    """The heights of all points of all surfaces of a site, and how well they are known together.

    ``number`` (n,) are the points among all places, in order; ``spread`` is theirs.
    """

    number: IntArray
    spread: HeightSpread

    def rows(self, number: IntArray) -> IntArray:
        """Return where points stand among these."""
        return np.searchsorted(self.number, number)

    def of(self, number: IntArray) -> HeightSpread:
        """Return the spread of some of them; it goes on having the factors of all."""
        rows = self.rows(number)
        return HeightSpread(self.spread.own[rows], self.spread.common[rows])


def site_grounds(
    site: Site, slopes: Slopes, derived: DerivedPoints, coordinates: Table
) -> tuple[SiteHeights, list[SiteGround]]:
    """Return what the wished surfaces are made of."""
    row_of = {str(name): row for row, name in reversed([*enumerate(coordinates["point"])])}
    rows = np.array([row_of[name] for name in slopes.places.names], dtype=np.int64)
    chosen = [_numbers(wish, slopes, derived, coordinates, rows) for wish in site.job.surfaces]
    numbers = [taken for taken, _ in chosen]
    number = np.unique(np.concatenate([*numbers, np.zeros(0, dtype=np.int64)]))
    heights = SiteHeights(number, _spread(site, slopes.places, number))
    pairs = zip(site.job.surfaces, chosen, strict=True)
    grounds = [
        replace(
            _ground(wish, site, slopes, own, heights, coordinates, rows),
            left_out=tuple(_left_out(wish, slopes, missing, coordinates, rows)),
            whole_area=_whole_area(wish, slopes),
        )
        for wish, (own, missing) in pairs
    ]
    return heights, grounds


def _numbers(
    wish: SurfaceWish, slopes: Slopes, derived: DerivedPoints, coordinates: Table, rows: IntArray
) -> tuple[IntArray, IntArray]:
    """Return the points of a surface among all places, and those asked for that take no part."""
    places = slopes.places
    ring_names = [name for name in (wish.boundary, *wish.holes) if name]
    parts = {line.name: line.parts for line in slopes.lines}
    placed = np.asarray(np.isfinite(places.position).all(axis=1))
    asked = _asked(wish, coordinates, rows, parts, ring_names, placed)
    proof = np.array(coordinates["proof"], dtype=object)[rows]
    taken = asked & np.isin(proof, wish.proofs)
    asked &= ~_typed_over(places, derived, taken)
    taken &= asked & placed
    return np.flatnonzero(taken), np.flatnonzero(asked & ~taken)


def _left_out(
    wish: SurfaceWish, slopes: Slopes, missing: IntArray, coordinates: Table, rows: IntArray
) -> Iterator[LeftOut]:
    """Give the points that were asked for and take no part, with the reason."""
    rings = [name for name in (wish.boundary, *wish.holes) if name]
    parts = {line.name: line.parts for line in slopes.lines}
    strings = [*rings, *wish.strings, *wish.points_only] if wish.chooses else [*rings, *parts]
    string_of: dict[int, str] = {}
    for name in strings:
        for point in (point for part in parts[name] for point in part):
            string_of.setdefault(point, name)
    for point in missing.tolist():
        place, row = slopes.places.position[point], rows[point]
        why = str(coordinates["proof"][row])
        allowed = why != DISPUTED or DISPUTED in wish.proofs
        if allowed and not np.isfinite(place).all():
            why = NO_HEIGHT if np.isfinite(place[:2]).all() else NO_PLACE
        # a line leads past a point without a height, which still says whose it is
        own = string_of.get(point, str(coordinates["string"][row]))
        string = own if own in strings else ""
        of = string or str(coordinates["code"][row])
        yield LeftOut(slopes.places.names[point], why, of, string in rings)


def _whole_area(wish: SurfaceWish, slopes: Slopes) -> float:
    """Return the area (m^2) inside of the boundary and outside of the holes, with all points."""
    parts = {line.name: line.parts for line in slopes.lines}
    if not wish.boundary:
        return np.nan
    areas = []
    for name in (wish.boundary, *wish.holes):
        ring = [point for part in parts[name] for point in part]
        areas.append(abs(ring_area(slopes.places.position[ring, :2])))
    return areas[0] - sum(areas[1:])


def _ground(
    wish: SurfaceWish,
    site: Site,
    slopes: Slopes,
    number: IntArray,
    heights: SiteHeights,
    coordinates: Table,
    rows: IntArray,
) -> SiteGround:
    places = slopes.places
    ring_names = [name for name in (wish.boundary, *wish.holes) if name]
    parts = {line.name: line.parts for line in slopes.lines}
    at = np.full(len(places.names), -1)
    at[number] = np.arange(len(number))
    lines, names = _lines(wish, parts, ring_names, at)
    rings = {name: _ring(parts[name], at) for name in ring_names}
    code = np.array([str(coordinates["code"][row]) for row in rows[number]], dtype=object)
    names_of = np.array([places.names[i] for i in number.tolist()], dtype=object)
    inlet = np.isin(names_of, wish.inlets) | np.isin(code, wish.inlets)
    ground = SurfaceGround(
        place=places.position[number],
        spread=heights.of(number),
        setup=_setups(site, places, number),
        lines=lines,
        boundary=rings.get(wish.boundary, ()),
        holes=[rings[name] for name in wish.holes],
        inlets=np.flatnonzero(inlet).tolist(),
        longest=wish.longest,
    )
    unclosed = tuple(name for name in ring_names if not _is_closed(parts[name]))
    return SiteGround(wish, ground, number, (*names_of,), rows[number], names, unclosed)


def _asked(
    wish: SurfaceWish,
    coordinates: Table,
    rows: IntArray,
    parts: dict[str, tuple[tuple[int, ...], ...]],
    rings: Sequence[str],
    placed: BoolArray,
) -> BoolArray:
    """Return which points (p,) should take part, whatever their proof; a ring's always do."""
    role, code, names, string = (
        np.array(coordinates[name], dtype=object)[rows]
        for name in ("role", "code", "point", "string")
    )
    strings = [*rings]
    asked = np.isin(names, wish.inlets)
    if wish.chooses:
        asked |= np.isin(code, [*wish.codes, *wish.inlets]) | np.isin(names, wish.points)
        strings += [*wish.strings, *wish.points_only]
    else:
        asked |= np.isin(role, wish.roles)
    asked |= np.isin(string, strings) & ~placed  # a line leads past a point without a height
    for name in strings:
        asked[[point for part in parts[name] for point in part]] = True
    return np.asarray(asked)


def _typed_over(places: Places, derived: DerivedPoints, taken: BoolArray) -> BoolArray:
    """Return the points (p,) that a typed elevation which takes part stands in for."""
    number = {name: i for i, name in enumerate(places.names)}
    over = np.zeros(len(taken), dtype=bool)
    for point in derived.points:
        if isinstance(point.entry, Typed) and taken[number[point.place.name]]:
            over[number[point.entry.origin]] = True
    return over


def _lines(
    wish: SurfaceWish,
    parts: dict[str, tuple[tuple[int, ...], ...]],
    rings: Sequence[str],
    at: IntArray,
) -> tuple[list[list[int]], tuple[str, ...]]:
    """Return the breaklines by points of the ground, and the string of each."""
    wanted = [*wish.strings] if wish.chooses else [*parts]
    own = [name for name in wanted if name not in wish.points_only and name not in rings]
    lines, names = [], []
    for name in own:
        for part in parts[name]:
            for piece in _pieces(at[list(part)].tolist()):
                lines.append(piece)
                names.append(name)
    return lines, (*names, *rings)


def _pieces(points: Sequence[int]) -> Iterator[list[int]]:
    """Give the pieces of a part between points that take no part, of two points or more."""
    piece: list[int] = []
    for point in (*points, -1):
        if point >= 0:
            piece.append(point)
            continue
        if len(piece) > 1:
            yield piece
        piece = []


def _ring(parts: Sequence[Sequence[int]], at: IntArray) -> list[int]:
    """Return a ring of points of the ground; the parts of an open string are joined in order."""
    points = [int(at[point]) for part in parts for point in part if at[point] >= 0]
    return points[:-1] if len(points) > 1 and points[0] == points[-1] else points


def _is_closed(parts: Sequence[Sequence[int]]) -> bool:
    return len(parts) == 1 and len(parts[0]) > 3 and parts[0][0] == parts[0][-1]


def _setups(site: Site, places: Places, number: IntArray) -> IntArray:
    """Return the setup that alone has shot what each point comes from, else `SHARED`."""
    of_marks = [setups.tolist() for setups in site.setups_of_points()]
    found = np.full(len(number), SHARED)
    for i, point in enumerate(number.tolist()):
        setups = {setup for mark in places.marks_of(point) for setup in of_marks[mark]}
        if len(setups) == 1:
            found[i] = setups.pop()
    return found


def _spread(site: Site, places: Places, number: IntArray) -> HeightSpread:
    """Return how well the heights of points are known together.

    A height is a function of a few unknowns of setups and marks, so its covariance is theirs
    brought through it. What a sight has of its own is that of its point alone, where no other point
    of the surfaces is derived of it; else the two have it in common.
    """
    placed = [places.placed(point) for point in number.tolist()]
    marks = np.unique(np.array([m for point in placed for m in point.marks], dtype=np.int64))
    by_mark = _by_marks(placed, marks)
    known = point_functions(site.wide, marks)
    rows = csr_array(by_mark @ known.rows)
    asked = np.unique(rows.indices)
    count = len(asked)
    chosen = csr_array((np.ones(count), (np.arange(count), asked)), shape=(count, rows.shape[1]))
    unknown = covariance(site.wide, Functions(chosen, csr_array((count, count))))
    several = np.flatnonzero(_users(by_mark) > 1)
    apart = np.setdiff1d(np.arange(len(marks)), several)
    own = np.array([point.own[2, 2] for point in placed])
    own += _alone(by_mark[:, _columns(apart)], known.own, _columns(apart))
    shared = known.own[_columns(several)][:, _columns(several)].toarray()
    parts = [rows[:, asked] @ factor_of(unknown), by_mark[:, _columns(several)] @ factor_of(shared)]
    return HeightSpread(np.sqrt(np.maximum(own, 0.0)), np.concatenate(parts, axis=1))


def _by_marks(placed: Sequence[PlacedPoint], marks: IntArray) -> csr_array:
    """Return the derivatives (n, 3 m) of heights by the coordinates of marks, without zeros."""
    row = [i for i, point in enumerate(placed) for _ in range(3 * len(point.marks))]
    at = np.searchsorted(marks, [mark for point in placed for mark in point.marks])
    value = np.concatenate([np.zeros(0), *(point.jacobian[2] for point in placed)])
    columns = _columns(np.asarray(at, dtype=np.int64))
    there = value != 0.0
    found = (value[there], (np.array(row, dtype=np.int64)[there], columns[there]))
    return csr_array(found, shape=(len(placed), 3 * len(marks)))


def _columns(marks: IntArray) -> IntArray:
    """Return the columns of the three coordinates of marks."""
    return (3 * marks[:, None] + np.arange(3)).reshape(-1)


def _users(by_mark: csr_array) -> IntArray:
    """Return how many points come from each mark."""
    wide = by_mark.tocoo()
    pairs = np.unique(wide.row.astype(np.int64) * by_mark.shape[1] + wide.col // 3)
    return np.bincount(pairs % by_mark.shape[1], minlength=by_mark.shape[1] // 3)


def _alone(by_mark: csr_array, own: csr_array, columns: IntArray) -> FloatArray:
    """Return the variances (n,) that points have from the sights of marks no other comes from."""
    block = csr_array(own)[columns][:, columns]
    return np.asarray((by_mark @ block).multiply(by_mark).sum(axis=1)).reshape(-1)
