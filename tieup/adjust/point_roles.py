"""What each point is to the site, for a plan and for a finished run alike."""

from __future__ import annotations

import numpy as np

from tieup.adjust.problem import levelled_only
from tieup.model.arrays import TextArray, distinct_pairs
from tieup.model.network import Network
from tieup.model.point_words import CONTROL, SHOT, STATION, TIE


def point_roles(network: Network) -> TextArray:
    """Return the role of each point (P,): control, station, tie or shot.

    What two setups sighted is a tie, and so are the ends of vectors and what levels alone reach.
    """
    role = np.full(len(network.point_names), SHOT, dtype=object)
    pairs, _ = distinct_pairs(network.sights.point, network.sights.setup)
    role[np.bincount(pairs[:, 0], minlength=len(role)) > 1] = TIE
    vectors = network.links.vectors()
    role[vectors.start] = role[vectors.end] = TIE
    role[network.station[network.station >= 0]] = STATION
    role[levelled_only(network)] = TIE
    role[np.isfinite(network.control).any(axis=1)] = CONTROL
    return role
