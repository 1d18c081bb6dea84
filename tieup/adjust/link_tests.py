"""What links between marks show, component by component as they were booked.

A vector takes part as three observations made independent, u = T v. Its own components have

    v = T^-1 u      Qv = T^-1 Qu T^-T      redundancy diag(T^-1 Qu T)      information diag(T' Qu T)

with Qu = I - A Q A' of the three. A link of one component is that already.

References: Baarda (1968), A testing procedure for use in geodetic networks; Teunissen, Testing
theory: an introduction (the w-test with correlated observations).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.adjust.solution import UNCHECKED, Adjustment
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.link_kinds import of_kind
from tieup.model.network import Links


@dataclass(frozen=True)
class LinkTests:
    """Of every link that took part (l,), a vector's in the order N, E, H.

    ``residual`` is adjusted minus observed, ``residual_sd`` its sd and ``bias_sd`` the sd of a
    mistake in this one component, all in m; NaN where nothing checks it. ``redundancy`` numbers
    sum to the degrees of freedom.
    """

    residual: FloatArray
    residual_sd: FloatArray
    redundancy: FloatArray
    bias_sd: FloatArray


def link_tests(adjustment: Adjustment) -> LinkTests:
    """Return the tests of all links of a solution."""
    problem, share = adjustment.problem, adjustment.link_redundancy
    links, sd = problem.network.links.take(problem.links), adjustment.link_sd
    known = np.where(share > UNCHECKED, share, np.nan)
    residual, redundancy = adjustment.link_residual.copy(), np.clip(share, 0.0, 1.0)
    residual_sd, bias_sd = sd * np.sqrt(known), sd / np.sqrt(known)
    vectors = np.flatnonzero(of_kind(links.kind, "is_vector"))
    for number in np.unique(links.booked[vectors]).tolist():
        own = np.flatnonzero(links.booked == number)
        whiten = links.along[own][:, : len(own)] / sd[own, None]
        back, left = np.linalg.inv(whiten), np.eye(len(own)) - _leverage(adjustment, links, own)
        stated = np.diagonal(back @ back.T)
        variance = np.diagonal(back @ left @ back.T)
        information = np.diagonal(whiten.T @ left @ whiten)
        seen = information * stated > UNCHECKED
        residual[own] = back @ (residual[own] / sd[own])
        redundancy[own] = np.diagonal(back @ left @ whiten)
        with np.errstate(divide="ignore", invalid="ignore"):  # what nothing checks
            residual_sd[own] = np.where(seen, np.sqrt(variance), np.nan)
            bias_sd[own] = np.where(seen, 1.0 / np.sqrt(information), np.nan)
    return LinkTests(residual, residual_sd, redundancy, bias_sd)


def _leverage(adjustment: Adjustment, links: Links, own: IntArray) -> FloatArray:
    """Return the whitened A Q A' (k, k) of the links ``own`` of one vector."""
    rows = links.along[own] / links.sd[own, None]
    joint = point_covariance(adjustment, np.array([links.start[own[0]], links.end[own[0]]]))
    spread = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
    used = rows.any(axis=0)
    return np.asarray(rows[:, used] @ spread[np.ix_(used, used)] @ rows[:, used].T)
