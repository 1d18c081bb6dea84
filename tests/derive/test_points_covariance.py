"""Covariances of derived points against draws of their marks, by formulas of another kind."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.derive.ground import ground_of, yard
from tieup.adjust.cofactors import point_covariance
from tieup.derive.placed import covariances, full_covariance
from tieup.derive.points import DerivedPoints, derive_points
from tieup.model.arrays import FloatArray
from tieup.model.derived import Crossing, Derived, Mean, OffsetString, Polar, ProjectedString

CHAIN: tuple[Derived, ...] = (
    Polar("P", 1, "T5", 0.7, 12.0, -0.015),
    Crossing("X", 2, ("T1", "T5"), ("T2", "T4")),
    Mean("M", 3, ("P", "X", "T6")),
    OffsetString("SIDE", 4, "LINE", -1.5, 0.02),
    ProjectedString("FOOT", 5, "SIDE", "EDGE", 0.03),
)
STRINGS = {"LINE": (("T1", "T2", "T5"),), "EDGE": (("CP1", "CP2", "T4"),)}
MARKS = ("CP1", "CP2", "T1", "T2", "T4", "T5", "T6")


def crossing_of(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> FloatArray:
    """Return where lines a-b and c-d cross, on a-b, by determinants; shape (n, 3) each."""
    (x1, y1), (x2, y2), (x3, y3), (x4, y4) = (p[:, :2].T for p in (a, b, c, d))
    below = (x1 - x2) * (y3 - y4) - (y1 - y2) * (x3 - x4)
    t = ((x1 - x3) * (y3 - y4) - (y1 - y3) * (x3 - x4)) / below
    return np.asarray(a + t[:, None] * (b - a))


def moved(line: list[FloatArray], aside: float, rise: float) -> list[FloatArray]:
    """Return a line moved to its right: every leg moved, and moved legs crossed anew."""
    legs = []
    for a, b in pairwise(line):
        bearing = np.arctan2(b[:, 1] - a[:, 1], b[:, 0] - a[:, 0]) + np.pi / 2.0
        shift = aside * np.column_stack([np.cos(bearing), np.sin(bearing), 0.0 * bearing])
        legs.append((a + shift, b + shift))
    places = [legs[0][0]]
    places += [crossing_of(*one, *two) for one, two in pairwise(legs)]
    places.append(legs[-1][1])
    return [
        np.column_stack([place[:, :2], at[:, 2] + rise])
        for place, at in zip(places, line, strict=True)
    ]


def foot(p: FloatArray, a: FloatArray, b: FloatArray, fall: float) -> FloatArray:
    """Return the foot of p on a-b by complex numbers, lower by fall times the distance."""
    point, start, end = (q[:, 0] + 1j * q[:, 1] for q in (p, a, b))
    at = start + (end - start) * ((point - start) / (end - start)).real
    return np.column_stack([at.real, at.imag, p[:, 2] - fall * abs(point - at)])


def by_other_formulas(mark: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """Return what `CHAIN` derives from marks (n, 3), by formulas of another kind."""
    polar = mark["T5"] + 12.0 * np.array([np.cos(0.7), np.sin(0.7), -0.015])
    cross = crossing_of(mark["T1"], mark["T5"], mark["T2"], mark["T4"])
    side = moved([mark[name] for name in STRINGS["LINE"][0]], -1.5, 0.03)
    edge = [mark[name] for name in STRINGS["EDGE"][0]]
    found = {"P": polar, "X": cross, "M": (polar + cross + mark["T6"]) / 3.0}
    found |= {f"SIDE-{i}": place for i, place in enumerate(side, 1)}
    for i, place in enumerate(side, 1):
        feet = [foot(place, a, b, 0.03) for a, b in pairwise(edge)]
        away = [np.hypot(*(place - f)[0, :2]) for f in feet]
        found[f"FOOT-{i}"] = feet[int(np.argmin(away))]
    return found


def chain() -> DerivedPoints:
    """Return the points of `CHAIN` on the yard."""
    return derive_points(CHAIN, ground_of(yard(), STRINGS), yard())


def test_the_covariance_is_that_of_draws_of_the_marks() -> None:
    """Every kind and their chains: sds and correlations of 20,000 draws, by other formulas.

    The sd of a sample sd is 0.5 % here; the linear law must be within 5 %, the correlations
    within 0.05.
    """
    points = chain().points
    labels = yard().problem.network.point_names
    numbers = np.array([labels.index(name) for name in MARKS])
    joint = point_covariance(yard(), numbers).reshape(3 * len(numbers), -1)
    draws = np.random.default_rng(8).multivariate_normal(
        yard().position[numbers].reshape(-1), joint, 20_000
    )
    marks = {name: draws[:, 3 * i : 3 * i + 3] for i, name in enumerate(MARKS)}
    found = by_other_formulas(marks)
    sample = np.concatenate([found[point.place.name] for point in points], axis=1)
    assert sample.mean(axis=0) == pytest.approx(
        np.concatenate([point.place.position for point in points]), abs=1e-4
    )  # m
    expected = full_covariance(yard(), [point.place for point in points])
    expected = expected.reshape(sample.shape[1], -1)
    sd = np.sqrt(np.diag(expected))
    assert len(points) == 9
    np.testing.assert_allclose(sample.std(axis=0), sd, rtol=0.05)
    correlation = expected / np.outer(sd, sd)
    np.testing.assert_allclose(np.corrcoef(sample.T), correlation, atol=0.05)


def test_single_covariances_are_blocks_of_the_joint_one() -> None:
    """One point at a time or all together: the same numbers."""
    places = chain().places
    joint = full_covariance(yard(), places)
    for i, covariance in enumerate(covariances(yard(), places)):
        np.testing.assert_allclose(covariance, joint[i, :, i, :], rtol=1e-7, atol=1e-14)


def test_chains_are_derived_from_marks_alone() -> None:
    """The mean of derived points names the marks behind them, and nothing else is unsure."""
    point = next(point for point in chain().points if point.place.name == "M")
    labels = [yard().problem.network.point_names[mark] for mark in point.place.marks]
    assert sorted(labels) == ["T1", "T2", "T4", "T5", "T6"]
    assert point.parents == ("P", "X", "T6")
    assert not point.place.own.any()
