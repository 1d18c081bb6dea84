"""What a file says its coordinates are: a map system that the job states, or a local one.

A map system is never guessed. Lengths in another unit than the system's are not its
coordinates, so such a file is local. A local system (an engineering system in the words of
ISO 19111) is written out with its unit of length: a reader that finds none takes plain
coordinates for longitude and latitude, or feet for metres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tieup.model.job import Job
from tieup.units import length_factor

UNIT_WORDS = {"m": "metre", "ft": "foot", "ftUS": "US survey foot"}


@dataclass(frozen=True)
class System:
    """A system: its code in the EPSG register (None for a local one), name, definition as WKT."""

    epsg: int | None
    name: str
    definition: str


def system_of(job: Job, unit: str) -> System:
    """Return the map system of job.yaml's ``grid: {crs: EPSG:n}`` if ``unit`` is its own."""
    stated = job.grid.crs if job.grid else ""
    return (_map_system(stated, unit) if stated else None) or _local_system(unit)


def _map_system(stated: str, unit: str) -> System | None:
    from pyproj import CRS

    system = CRS.from_user_input(stated)
    code = system.to_epsg()
    same = system.is_projected and all(
        math.isclose(axis.unit_conversion_factor, length_factor(unit), rel_tol=1e-9)
        for axis in system.axis_info[:2]
    )
    if code is None or not same:
        return None
    return System(code, f"EPSG:{code} {system.name}", system.to_wkt("WKT1_GDAL"))


def _local_system(unit: str) -> System:
    length = f'UNIT["{UNIT_WORDS[unit]}",{length_factor(unit)!r}]'
    axes = 'AXIS["Easting",EAST],AXIS["Northing",NORTH]'
    return System(None, f"local, {unit}", f'LOCAL_CS["local, {unit}",{length},{axes}]')
