"""Bring what job.yaml states about instruments, air, sets and grid to SI."""

from __future__ import annotations

import math
from typing import Any

from tieup.config.yaml_nodes import YamlReading
from tieup.errors import did_you_mean
from tieup.model.settings import (
    DEFAULT_INSTRUMENT,
    Air,
    GridWish,
    Instrument,
    Light,
    Precision,
    SetLimits,
)
from tieup.reduce.air import refractivity, vapour_pressure
from tieup.units import angle_factor, length_factor

_ARC_SECOND = angle_factor("deg") / 3600.0
_MM = length_factor("mm")


def read_precision(values: dict[str, Any], reading: YamlReading) -> Precision:
    """Return what is stated about everything measured; note what does not fit together."""
    if "instruments.default" not in reading.lines:
        for name in values["instruments"]:
            if name != DEFAULT_INSTRUMENT and did_you_mean(name, [DEFAULT_INSTRUMENT]):
                reading.note_key(f"instruments.{name}", "is unknown. Did you mean default?")
    instruments = {
        name: _instrument(item, f"instruments.{name}.reference", reading)
        for name, item in values["instruments"].items()
    }
    return Precision(
        instruments=instruments,
        centring_instrument=values["centring"]["instrument"] * _MM,
        centring_target=values["centring"]["target"] * _MM,
        height_instrument=values["heights"]["instrument"] * _MM,
        height_target=values["heights"]["target"] * _MM,
        air=_air(values["atmosphere"]),
        set_limits=_set_limits(values["set_limits"]),
    )


def _instrument(stated: dict[str, Any], path: str, reading: YamlReading) -> Instrument:
    constant, ppm = stated["distance"]
    return Instrument(
        direction=stated["direction"] * _ARC_SECOND,
        zenith=stated["zenith"] * _ARC_SECOND,
        distance_constant=constant * _MM,
        distance_ppm=ppm,
        prism_constant=stated["prism_constant"] * _MM,
        target_constants={name: v * _MM for name, v in stated["target_constants"].items()},
        scale=stated["scale"],
        light=_light(stated["reference"], path, reading),
    )


def _light(stated: dict[str, Any], path: str, reading: YamlReading) -> Light | None:
    """Return the reference of the first velocity correction, None where none is stated."""
    carrier, given = stated.get("carrier"), stated.get("refractivity")
    if carrier is None:
        return None
    if given is not None:
        return Light(given, carrier)
    temperature, pressure = stated.get("temperature"), stated.get("pressure")
    if temperature is None or pressure is None:
        if reading.sound(path):
            reading.note_key(path, "has neither refractivity nor temperature and pressure")
        return None
    vapour = vapour_pressure(temperature, _given(stated, "humidity", Air.humidity), pressure)
    return Light(float(refractivity(carrier, temperature, pressure, vapour)), carrier)


def _air(stated: dict[str, Any]) -> Air:
    temperature, pressure = stated["temperature"], stated["pressure"]
    return Air(
        temperature=math.nan if temperature is None else temperature,
        pressure=math.nan if pressure is None else pressure,
        humidity=stated["humidity"],
    )


def _set_limits(stated: dict[str, Any]) -> SetLimits | None:
    """Return the limits of sets; what has none is never rejected."""
    if not stated:
        return None
    return SetLimits(
        direction=_given(stated, "direction", math.inf) * _ARC_SECOND,
        zenith=_given(stated, "zenith", math.inf) * _ARC_SECOND,
        distance=_given(stated, "distance", math.inf) * _MM,
        offset=_given(stated, "offset", 0.0) * _MM,
    )


def _given(stated: dict[str, Any], key: str, default: float) -> float:
    """Return a number that may be missing, or was refused."""
    value = stated.get(key)
    return default if value is None else float(value)


def read_grid(stated: dict[str, Any], factor: float, reading: YamlReading) -> GridWish | None:
    """Return what the job says of its grid, None where it says nothing."""
    crs, scale = stated.get("crs") or "", stated.get("scale")
    if crs and scale is not None:
        reading.note_key("grid", "has both crs and scale. Give one")
    wish = GridWish(
        crs=crs,
        scale=1.0 if scale is None else scale,
        sea_level=bool(stated.get("sea_level")),
        separation=_given(stated, "separation", 0.0) * factor,
    )
    return wish if crs or scale is not None or wish.sea_level else None
