"""Two faces: normalise readings to face 1 and find the axis errors they reveal.

Conventions (ISO 17123-3 terms): with collimation ``c`` and vertical index ``i``

    reverse - direct = 180 deg + 2 c / sin z        z_direct + z_reverse = 360 deg + 2 i

so a direct direction reads ``c / sin z`` too small and a direct zenith ``i`` too large.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray

SIGNIFICANT = 3.0  # an axis error is applied to single-face rows beyond this many sd


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
