"""The residual plots as SVG: against distance, time and setup, and a normal plot.

A residual is drawn over its own sd, so that all kinds share one axis. Each kind has its own
shape. A good site is a band without a pattern: a slope against distance speaks of the scale
or of the air, a step in time of an instrument that moved, one setup off as a whole, of that setup.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.model.observations import KINDS
from tieup.model.reconciliation import Table
from tieup.write.page.residuals import Residuals, residuals_of, thin

MOST_DOTS = 1500  # in one plot
MOST_LABELS = 14  # setups named along an axis
LEFT, RIGHT, TOP, BOTTOM = 46.0, 632.0, 14.0, 226.0
FLAG = 3.29  # a good residual is beyond this once in a thousand
SPAN = 5.0  # the axis reaches this far at least, in sds
ENOUGH = 3  # residuals below which there is nothing to see


@dataclass(frozen=True)
class Tick:
    """A mark on an axis: where, and what stands beside it."""

    at: float
    label: str


@dataclass(frozen=True)
class Plot:
    """One plot: ``dots`` holds an SVG path for each kind of observation."""

    id: str
    title: str
    says: str
    x_label: str
    x_ticks: tuple[Tick, ...]
    y_label: str
    y_ticks: tuple[Tick, ...]
    guides: tuple[str, ...]
    dots: tuple[tuple[str, str], ...]
    note: str


def residual_plots(observations: Table, starts: IntArray, unit: str) -> tuple[Plot, ...]:
    """Return the plots that the data allow; none where nothing checks the observations.

    ``starts`` says where each raw row begins, ``unit`` is the job's length unit.
    """
    everything = residuals_of(observations, starts)
    if len(everything) < ENOUGH:
        return ()
    residuals = everything.part(thin(everything.w, MOST_DOTS))
    note = ""
    if len(residuals) < len(everything):
        note = (
            f"{len(residuals):,} of {len(everything):,} residuals are drawn, every outlying one "
            "among them; all of them are in observations.csv."
        )
    plots = [_against_distance(residuals, unit, note)]
    if np.isfinite(residuals.time).any():
        plots.append(_against_time(residuals, note))
    plots += [_against_setup(residuals, note), _normal(everything, note)]
    return tuple(plots)


def _against_distance(residuals: Residuals, unit: str, note: str) -> Plot:
    top = float(np.nanmax(residuals.distance, initial=1.0))
    return _plot(
        residuals,
        residuals.distance,
        (0.0, top),
        [(value, f"{value:g}") for value in round_steps(0.0, top)],
        id="distance",
        title="Against distance",
        says="A slope points to a scale, the weather correction or the air.",
        x_label=f"Distance, {unit}",
        note=note,
    )


def _against_time(residuals: Residuals, note: str) -> Plot:
    first, last = float(np.nanmin(residuals.time)), float(np.nanmax(residuals.time))
    last = max(last, first + 0.1)
    steps = round_steps(first, last, (0.25, 0.5, 1.0, 2.0, 4.0, 6.0, 12.0, 24.0))
    return _plot(
        residuals,
        residuals.time,
        (first, last),
        [(value, _clock(value)) for value in steps],
        id="time",
        title="Against time",
        says="A step or a drift points to an instrument or a mark that moved.",
        x_label="Time of day, as recorded",
        note=note,
    )


def _against_setup(residuals: Residuals, note: str) -> Plot:
    count = len(residuals.setups)
    within = np.zeros(len(residuals))
    for setup in range(count):  # spread the residuals of a setup over its part of the axis
        own = np.flatnonzero(residuals.setup == setup)
        within[own] = np.linspace(-0.35, 0.35, len(own)) if len(own) > 1 else 0.0
    labels = residuals.setups if count <= MOST_LABELS else ()
    return _plot(
        residuals,
        residuals.setup + within,
        (-0.5, count - 0.5),
        [(float(number), label) for number, label in enumerate(labels)],
        id="setup",
        title="Against setup",
        says="One setup wider than the others, or off to one side, points to that setup.",
        x_label="Setup" if labels else f"{count:,} setups in the order of the field books",
        note=note,
    )


def _normal(everything: Residuals, note: str) -> Plot:
    from scipy.special import ndtri

    ranks = np.empty(len(everything))
    ranks[np.argsort(everything.w, kind="stable")] = np.arange(1, len(everything) + 1)
    expected = ndtri((ranks - 0.375) / (len(everything) + 0.25))  # plotting position of Blom, 1958
    chosen = thin(everything.w, MOST_DOTS)
    shown = everything.part(chosen)
    reach = float(np.ceil(np.abs(expected).max(initial=1.0)))
    plot = _plot(
        shown,
        expected[chosen],
        (-reach, reach),
        [(float(value), f"{value:g}") for value in np.arange(-reach, reach + 1)],
        id="normal",
        title="Normal plot",
        says="Dots along the slanting line: the errors are chance. Tails off it are mistakes.",
        x_label="Expected of chance, in sds",
        note=note,
    )
    span = _span(shown.w)
    slant = [(-min(reach, span),) * 2, (min(reach, span),) * 2]
    line = " ".join(f"{_x(x, (-reach, reach)):.1f} {_y(y, span):.1f}" for x, y in slant)
    return replace(plot, guides=(*plot.guides, f"M{line}"))


def _plot(
    residuals: Residuals,
    x: FloatArray,
    ends: tuple[float, float],
    ticks: Sequence[tuple[float, str]],
    *,
    id: str,
    title: str,
    says: str,
    x_label: str,
    note: str,
) -> Plot:
    span = _span(residuals.w)
    across, up = _x(x, ends), _y(residuals.w, span)
    dots = []
    for number, kind in enumerate(KINDS):
        own = np.flatnonzero((residuals.kind == number) & np.isfinite(across))
        if len(own):
            dots.append((kind, _path(kind, across[own], up[own])))
    return Plot(
        id=id,
        title=title,
        says=says,
        x_label=x_label,
        x_ticks=tuple(Tick(round(float(_x(value, ends)), 1), label) for value, label in ticks),
        y_label="Residual over its own sd",
        y_ticks=tuple(
            Tick(round(float(_y(value, span)), 1), f"{value:+g}" if value else "0")
            for value in round_steps(-span, span)
        ),
        guides=tuple(f"M{LEFT} {_y(value, span):.1f}H{RIGHT}" for value in (-FLAG, 0.0, FLAG)),
        dots=tuple(dots),
        note=note,
    )


def _path(kind: str, across: FloatArray, up: FloatArray) -> str:
    """Return dots, rings or crosses as one path: directions, zenith angles, distances."""
    shape = {
        "direction": "M{:.1f} {:.1f}h.01",
        "zenith": "M{:.1f} {:.1f}m-2.5 0a2.5 2.5 0 1 0 5 0a2.5 2.5 0 1 0-5 0",
        "distance": "M{:.1f} {:.1f}m-2.5-2.5l5 5m0-5l-5 5",
    }[kind]
    return "".join(map(shape.format, across.tolist(), up.tolist()))


def _span(w: FloatArray) -> float:
    return max(SPAN, float(np.ceil(np.abs(w).max(initial=0.0))))


def _x(value: FloatArray | float, ends: tuple[float, float]) -> FloatArray:
    share = (np.asarray(value) - ends[0]) / (ends[1] - ends[0])
    return np.asarray(LEFT + share * (RIGHT - LEFT))


def _y(value: FloatArray | float, span: float) -> FloatArray:
    return np.asarray(BOTTOM - (np.asarray(value) + span) / (2.0 * span) * (BOTTOM - TOP))


def round_steps(
    first: float, last: float, sizes: Sequence[float] | None = None, most: int = 8
) -> list[float]:
    """Return round values between two ends, at most ``most`` steps apart.

    >>> round_steps(0.0, 57.0)
    [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]
    """
    if sizes is None:
        decade = 10.0 ** np.floor(np.log10((last - first) / most))
        sizes = [decade * step for step in (1.0, 2.0, 5.0, 10.0)]
    size = next((step for step in sizes if (last - first) / step <= most), sizes[-1])
    size = max(size, (last - first) / (4 * most))
    start = np.ceil(first / size)
    return [float(size * k) for k in np.arange(start, np.floor(last / size + 1e-9) + 1)]


def _clock(hours: float) -> str:
    """Return hours since midnight of the first day as a clock shows them, with the day."""
    day, minutes = divmod(round(hours * 60), 24 * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}" + (f" +{day} d" if day else "")
