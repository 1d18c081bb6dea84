"""Two faces: normalise readings to face 1 and find the axis errors they reveal.

Conventions (ISO 17123-3 terms): with collimation ``c`` and vertical index ``i``

    reverse - direct = 180 deg + 2 c / sin z        z_direct + z_reverse = 360 deg + 2 i

so a direct direction reads ``c / sin z`` too small and a direct zenith ``i`` too large.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.geometry import wrap_half
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.reduce.groups import group_mean

SIGNIFICANT = 3.0  # an axis error is applied to single-face rows beyond this many sd
OUTLYING = 4.0  # a deviation beyond this many sd has no say in the axis error


@dataclass(frozen=True)
class AxisError:
    """Collimation or vertical index of one instrument, found from two-face pairs.

    ``value`` and ``sd`` in radians; ``pairs`` is the number of sights with both faces.
    """

    kind: str
    instrument: str
    value: float
    sd: float
    pairs: int

    @property
    def significant(self) -> bool:
        """Say whether the error stands out of its own uncertainty."""
        return abs(self.value) > SIGNIFICANT * self.sd


def resolve_face(face: IntArray, zenith: FloatArray) -> tuple[IntArray, BoolArray]:
    """Decide the face of each row: the zenith angle where there is one, else the flag.

    A reading beyond 180 deg can only come from face 2, whatever was booked.

    Returns
    -------
    face (m,) of 1 or 2, and a mask (m,) of the rows whose flag said otherwise.
    """
    by_zenith = np.where(zenith > np.pi, 2, 1)
    resolved = np.where(np.isnan(zenith), face, by_zenith)
    return resolved, resolved != face


def normalise(
    direction: FloatArray, zenith: FloatArray, face: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Turn face-2 readings (rad) over to what face 1 would read without axis errors."""
    second = face == 2
    return (
        np.where(second, direction - np.pi, direction),
        np.where(second, 2.0 * np.pi - zenith, zenith),
    )


def face_sign(face: IntArray) -> FloatArray:
    """Return +1 for face 1 and -1 for face 2."""
    return np.where(face == 1, 1.0, -1.0)


def estimate(
    value: FloatArray,
    design: FloatArray,
    sight: IntArray,
    sd: FloatArray,
    circular: bool,
) -> tuple[float, float, int, FloatArray]:
    """Estimate one coefficient from deviations within sights, robustly.

    Model ``value = mean of its sight + design * coefficient``. Starts from the median
    of the two-face values, then least squares without outlying deviations.

    Parameters
    ----------
    value, design, sight, sd
        Shape (r,): normalised readings (rad), d(reading)/d(coefficient), sight index,
        sd of one pointing (rad).

    Returns
    -------
    coefficient (rad), its sd (rad), number of sights that bear on it, and the leverage
    (r,) that its estimate takes of each deviation. With nothing to estimate from:
    0, inf, 0, zeros.
    """
    x = design - group_mean(design, sight)
    y = _centred(value, sight, circular)
    bearing = np.abs(x) > 1e-9
    pairs = len(np.unique(sight[bearing]))
    if pairs == 0:
        return 0.0, np.inf, 0, np.zeros_like(value)
    coefficient = float(np.median(y[bearing] / x[bearing]))
    trusted = bearing
    for _ in range(5):
        outlying = np.abs(y - x * coefficient) > OUTLYING * sd
        trusted = bearing & ~np.isin(sight, sight[bearing & outlying])
        if not trusted.any():
            trusted = bearing
        information = float(np.sum((x[trusted] / sd[trusted]) ** 2))
        coefficient = float(np.sum(x[trusted] * y[trusted] / sd[trusted] ** 2) / information)
    leverage = np.where(trusted, (x / sd) ** 2 / information, 0.0)
    return coefficient, information**-0.5, pairs, leverage


def _centred(value: FloatArray, sight: IntArray, circular: bool) -> FloatArray:
    """Return deviations from the sight's mean (rad), on the circle where asked."""
    if circular:
        _, first, inverse = np.unique(sight, return_index=True, return_inverse=True)
        value = wrap_half(value - value[first][inverse])
    return value - group_mean(value, sight)
