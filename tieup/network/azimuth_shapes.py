"""The turn of azimuths that have no length: from the shape that they give a net.

Every azimuth a says that its line has no part across it. In the frame of the azimuths, with
w the places of the nodes and c z those of the known nodes z, turned and scaled together,

    Im((w_end - w_start) exp(-i a)) = 0

which is linear and homogeneous in the w and in c. Where the shape is fixed all solutions have one
c but for a factor, and the azimuths lack minus the angle of c. It serves as a start value only.

Reference: Whiteley (1996), nets of fixed directions (parallel drawings) as linear systems.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.network.horizontal_lines import HorizontalLines
from tieup.network.rigid import ComplexArray

LOOSE = 3e-3  # singular value, against the largest, below which a motion is as good as free
ONE_WAY = 3e-3  # of the free motions: how far c may turn among them and still count as one
MOST_NODES = 400  # unknown nodes of a basis that are solved at once


def turn_by_shape(lines: HorizontalLines, known: ComplexArray) -> float:
    """Return the turn (rad) that brings azimuths onto the ``known`` nodes (n,), NaN where none is.

    Known nodes are those that are finite; it takes two that the lines join in one shape.
    """
    rays = lines.take(np.isfinite(lines.azimuth) & (lines.start != lines.end))
    nodes = np.unique(np.concatenate([rays.start, rays.end]))
    given = nodes[np.isfinite(known[nodes])]
    open_ = nodes[~np.isfinite(known[nodes])]
    if len(given) < 2 or len(open_) > MOST_NODES:
        return np.nan
    centre = known[given].mean()
    reach = float(np.abs(known[given] - centre).max())
    if reach == 0.0:
        return np.nan
    place = (known - centre) / reach
    column = np.full(len(known), -1)
    column[open_] = 2 + 2 * np.arange(len(open_))
    design = _across(rays, place, column, 2 + 2 * len(open_))
    _, size, motions = np.linalg.svd(design)
    fixed = int((size > LOOSE * size.max(initial=0.0)).sum())
    free = motions[fixed:] if fixed < motions.shape[0] else motions[-1:]
    ways, seen, _ = np.linalg.svd(free[:, :2].T)
    if not seen[0] > 0.0 or (len(seen) > 1 and seen[1] > ONE_WAY * seen[0]):
        return np.nan
    motion = free.T @ (free[:, :2] @ ways[:, 0])
    return _facing(rays, place, column, motion)


def _across(rays: HorizontalLines, place: ComplexArray, column: IntArray, width: int) -> FloatArray:
    """Return the rows (n, u) of what each line has across its azimuth; columns of c come first."""
    design = np.zeros((len(rays), width))
    back = np.exp(-1j * rays.azimuth)
    row = np.arange(len(rays))
    for sign, node in ((1.0, rays.end), (-1.0, rays.start)):
        own = column[node] >= 0
        np.add.at(design, (row[own], column[node[own]]), sign * back[own].imag)
        np.add.at(design, (row[own], column[node[own]] + 1), sign * back[own].real)
        there = sign * place[node[~own]] * back[~own]  # c z exp(-ia), c = c0 + i c1
        design[row[~own], :2] += np.column_stack([there.imag, there.real])
    return design


def _facing(
    rays: HorizontalLines, place: ComplexArray, column: IntArray, motion: FloatArray
) -> float:
    """Return minus the angle of c, the sign chosen so that lines run the way they were read."""
    c = complex(motion[0], motion[1])

    def where(node: IntArray) -> ComplexArray:
        first = np.maximum(column[node], 0)
        return np.where(column[node] >= 0, motion[first] + 1j * motion[first + 1], c * place[node])

    along = ((where(rays.end) - where(rays.start)) * np.exp(-1j * rays.azimuth)).real
    way = 1.0 if np.sum(np.sign(along)) >= 0 else -1.0
    return float(-np.angle(way * c))
