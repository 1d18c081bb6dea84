"""One more shot of a measured site as raw rows, its readings what the solution expects.

Without a misclosure of its own such a shot says how sure it would make the site, whatever it
will read.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.predict import misfit
from tieup.diagnose.basis.solve import Solved
from tieup.geometry import wrap_full, wrap_half
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.fieldbook import Shots
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.preanalysis.candidates import like_others
from tieup.reduce.faces import face_sign, resolve_face
from tieup.reduce.grid import sights_on_grid, site_factor
from tieup.reduce.sights import reduce_shots

LATER = 60.0  # s after the last shot of the setup; only the order counts
BLANK = ("role", "code", "string", "note")
CLOSE = 1e-9  # rad, m: the rows say what is expected to this


def with_shot(solved: Solved, setup: int, point: int) -> Case:
    """Return the case with one more shot of ``point``, last in ``setup``.

    It is measured as the setup's best sight is: as often, in the faces and with the pole of that.
    """
    case, own = solved.case, _like(solved, setup)
    shots = _appended(case.shots, own, setup, point)
    whole = replace(case, shots=shots, use=np.concatenate([case.use, case.use[own]]))
    new = np.arange(len(case.shots), len(shots))
    for _ in range(3):
        off = _off(solved, whole, new)
        if np.abs(off).max() < CLOSE:
            break
        whole = replace(whole, shots=_shifted(whole.shots, new, off))
    return whole


def _like(solved: Solved, setup: int) -> IntArray:
    """Return the raw rows of the sight of a setup that a further one is measured like."""
    sights = solved.network.sights
    like = like_others(sights, len(solved.case.setups))[setup]
    return np.flatnonzero(solved.reduction.pointings.sight == like)


def _appended(shots: Shots, own: IntArray, setup: int, point: int) -> Shots:
    """Return the shots with the ``own`` rows again, for another point and at a later time."""
    copies = {name: getattr(shots, name)[own].copy() for name in vars(shots)}
    last = shots.time[shots.setup == setup].max(initial=-np.inf)
    copies["setup"][:], copies["point"][:] = setup, point
    copies["time"] = np.full(len(own), last + LATER)
    copies["line"][:] = 0
    copies["field_coordinates"][:] = np.nan
    for name in BLANK:
        copies[name][:] = ""
    joined = {name: np.concatenate([column, copies[name]]) for name, column in vars(shots).items()}
    return Shots(**joined)


def _off(solved: Solved, case: Case, rows: IntArray) -> FloatArray:
    """Return what ``rows`` say in the mean minus what the solution expects, (3,)."""
    reduction = reduce_shots(case.shots, case.setups, case.precision, case.use)
    rows_say = reduction.pointings.corrected[rows]
    turn = rows_say[:, DIRECTION] - rows_say[0, DIRECTION]
    rows_say[:, DIRECTION] = rows_say[0, DIRECTION] + wrap_half(turn)
    said = np.full(reduction.sights.value.shape, np.nan)
    sight = reduction.pointings.sight[rows[0]]  # with earlier looks, where the target stood
    said[sight] = rows_say.mean(axis=0)
    sights = replace(reduction.sights, value=said)
    if case.precision.grid is not None:
        sights = sights_on_grid(sights, site_factor(case.precision.grid))
    off = misfit(sights, solved.adjustment, case.refraction)[sight]
    return np.asarray(np.nan_to_num(off))


def _shifted(shots: Shots, rows: IntArray, off: FloatArray) -> Shots:
    """Return the shots with what ``rows`` are ``off`` by (3,) taken out of their readings."""
    face, _ = resolve_face(shots.face, shots.zenith)
    direction, zenith = shots.direction.copy(), shots.zenith.copy()
    distance = shots.distance.copy()
    direction[rows] = wrap_full(direction[rows] - off[DIRECTION])
    zenith[rows] -= face_sign(face[rows]) * off[ZENITH]
    distance[rows] -= off[DISTANCE]
    return replace(shots, direction=direction, zenith=zenith, distance=distance)
