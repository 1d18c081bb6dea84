"""Similarity fits against a textbook, a general-purpose library and simulation.

T1: Ghilani and Wolf, Adjustment Computations, ex. 18.1, two-dimensional conformal
transformation; inputs and answers from memory. In the book's form x, y are E, N and
E = a x - b y + Te, N = b x + a y + Tn, so its angle runs against the clock.
"""

import numpy as np
import pytest
from scipy.linalg import orthogonal_procrustes

from tieup.adjust.similarity import fit_similarity
from tieup.errors import AdjustmentError

NOT_KNOWN = np.full((3, 1), np.nan)
# Columns N, E, H (m); the book gives x = E first.
BOOK_SOURCE = np.hstack([[[-128.066, 121.622], [187.718, 141.228], [135.728, 175.802]], NOT_KNOWN])
BOOK_TARGET = np.hstack(
    [[[51089.20, 1049422.40], [49659.30, 1049413.95], [49884.95, 1049244.95]], NOT_KNOWN]
)


@pytest.fixture(scope="module")
def book():
    return fit_similarity(BOOK_SOURCE, BOOK_TARGET, np.ones((3, 3)))


def test_book_scale_and_turn(book):
    """Ghilani and Wolf 18.1: S 4.51962, angle 183-13-05.0, a -4.51249, b -0.25371."""
    against_clock = np.degrees(-book.turn) % 360.0
    assert book.scale == pytest.approx(4.51962, abs=5.1e-6)
    assert against_clock == pytest.approx(183 + 13 / 60 + 5.0 / 3600, abs=0.051 / 3600)
    assert book.scale * np.cos(book.turn) == pytest.approx(-4.51249, abs=5.1e-6)
    assert -book.scale * np.sin(book.turn) == pytest.approx(-0.25371, abs=5.1e-6)


def test_book_translation(book):
    """Ghilani and Wolf 18.1: the source's origin comes to Te 1050003.715, Tn 50542.131."""
    a, b = book.scale * np.cos(book.turn), book.scale * np.sin(book.turn)
    north, east = -book.pivot
    origin = book.pivot + book.shift[:2] + [a * north - b * east, b * north + a * east]
    np.testing.assert_allclose(origin, [50542.131, 1050003.715], rtol=0, atol=5.1e-4)  # m


def test_book_residuals(book):
    """Ghilani and Wolf 18.1: residuals to 1 mm and S0 0.140 m."""
    east_north = [[0.004, -0.029], [0.101, -0.077], [-0.105, 0.106]]
    np.testing.assert_allclose(book.residuals[:, 1::-1], east_north, rtol=0, atol=5.1e-4)
    assert book.dof_plan == 2
    assert np.sqrt(book.weighted_sum_plan / 2) == pytest.approx(0.140, abs=5.1e-4)
    assert np.isnan(book.shift[2])
    assert book.dof_height == 0


def test_book_agrees_with_procrustes(book):
    """scipy's orthogonal Procrustes solution of centred points gives the same turn and scale."""
    source, target = (c[:, :2] - c[:, :2].mean(axis=0) for c in (BOOK_SOURCE, BOOK_TARGET))
    rotation, size = orthogonal_procrustes(source, target)
    assert np.linalg.det(rotation) > 0
    assert book.scale == pytest.approx(size / np.sum(source**2), abs=1e-10)
    assert book.scale * np.sin(book.turn) == pytest.approx(book.scale * rotation[0, 1], abs=1e-10)


def test_sds_are_those_of_simulation():
    """2000 fits of noisy marks scatter by the stated sds (a chi-square of 2000 within 4 sds).

    One mark is known in elevation only and one in plan only, as control can be.
    """
    random = np.random.default_rng(20)
    source = random.uniform(0.0, 100.0, (6, 3))
    sd = random.uniform(0.002, 0.006, (6, 3))
    turn, scale, shift = 0.3, 0.3048, np.array([1000.0, 2000.0, -5.0])
    cosine, sine = scale * np.cos(turn), scale * np.sin(turn)
    matrix = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    exact = source @ matrix.T + shift
    exact[0, :2] = exact[1, 2] = np.nan
    errors = []
    for _ in range(2000):
        fit = fit_similarity(source, exact + sd * random.standard_normal((6, 3)), sd)
        middle = matrix[:2, :2] @ fit.pivot + shift[:2] - fit.pivot
        errors.append(
            [
                (fit.scale - scale) / fit.sd_scale,
                (fit.turn - turn) / fit.sd_turn,
                *((fit.shift - [*middle, shift[2]]) / fit.sd_shift),
                fit.weighted_sum_plan - fit.dof_plan,
                fit.weighted_sum_height - fit.dof_height,
            ]
        )
    errors = np.array(errors)
    assert (fit.dof_plan, fit.dof_height) == (6, 4)
    np.testing.assert_allclose(np.var(errors[:, :5], axis=0), 1.0, atol=4 * np.sqrt(2 / 2000))
    limits = 4 * np.sqrt(2 * np.array([6, 4]) / 2000)
    assert (np.abs(errors[:, 5:].mean(axis=0)) < limits).all()


@pytest.mark.parametrize("common", [0, 1])
def test_one_common_mark_is_not_enough(common):
    """Turn and scale need two marks; the message says how many there are."""
    target = BOOK_TARGET.copy()
    target[common:] = np.nan
    with pytest.raises(AdjustmentError, match=f"similarity fit: {common} different places"):
        fit_similarity(BOOK_SOURCE, target, np.ones((3, 3)))


def test_coinciding_marks_are_not_enough():
    """Two marks at one place count as one: they determine neither turn nor scale."""
    source = np.array([[10.0, 20.0, 1.0], [10.0, 20.0, 1.0]])
    with pytest.raises(AdjustmentError, match="similarity fit: 1 different places"):
        fit_similarity(source, source + 5.0, np.ones((2, 3)))
