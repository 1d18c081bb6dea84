"""The speed of light in the air of the shot: refractivity and the first velocity correction.

An instrument turns travel time into distance with the refractivity N_ref it was built or set
for; the air of the shot had N, and the distance is

    d = d_shown (1 + N_ref 1e-6) / (1 + N 1e-6)

References: IUGG (1999) resolution 3, closed formula for the group refractivity of visible and
near infrared light; Buck (1981) for the vapour pressure over water.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tieup.model.arrays import FloatArray

ZERO_CELSIUS = 273.15  # K
STANDARD_PRESSURE = 1013.25  # hPa
PPM = 1e-6


def group_refractivity(carrier: float) -> float:
    """Return the group refractivity (ppm) of dry air at 0 degrees C, 1013.25 hPa, 375 ppm CO2.

        N_g = 287.6155 + 4.88660 / c^2 + 0.06800 / c^4

    ``carrier`` c is the wavelength in vacuum in micrometres.

    >>> round(group_refractivity(0.85), 3)
    294.509
    """
    return 287.6155 + 4.88660 / carrier**2 + 0.06800 / carrier**4


def vapour_pressure(temperature: ArrayLike, humidity: ArrayLike, pressure: ArrayLike) -> FloatArray:
    """Return the partial pressure of water vapour (hPa).

        E = (1.0007 + 3.46e-6 p) 6.1121 exp(17.502 t / (240.97 + t)),   e = E h / 100

    Parameters
    ----------
    temperature, humidity, pressure
        degrees C, per cent relative to water, hPa.
    """
    celsius = np.asarray(temperature, dtype=np.float64)
    enhanced = 1.0007 + 3.46e-6 * np.asarray(pressure, dtype=np.float64)
    saturated = enhanced * 6.1121 * np.exp(17.502 * celsius / (240.97 + celsius))
    return np.asarray(saturated * np.asarray(humidity, dtype=np.float64) / 100.0)


def refractivity(
    carrier: float, temperature: ArrayLike, pressure: ArrayLike, vapour: ArrayLike
) -> FloatArray:
    """Return the group refractivity (ppm) of air.

        N = (273.15 / 1013.25) (p / T) N_g - 11.27 e / T

    Parameters
    ----------
    carrier
        Wavelength in vacuum, micrometres.
    temperature, pressure, vapour
        degrees C, hPa, partial pressure of water vapour in hPa.
    """
    kelvin = np.asarray(temperature, dtype=np.float64) + ZERO_CELSIUS
    dry = ZERO_CELSIUS / STANDARD_PRESSURE * np.asarray(pressure) / kelvin
    return np.asarray(dry * group_refractivity(carrier) - 11.27 * np.asarray(vapour) / kelvin)


def velocity_factor(reference: float, air: ArrayLike) -> FloatArray:
    """Return what a shown distance is multiplied by; ``reference`` and ``air`` in ppm."""
    return np.asarray((1.0 + reference * PPM) / (1.0 + np.asarray(air, dtype=np.float64) * PPM))
