"""Sites with azimuths on bases of bearings of unknown turn: what one reading does to all of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.compare import stated_sds
from tests.adjust.networks import PRECISION, Oracle, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.hypothesis import everything, responses
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.model.network import Network

TURNS = np.array([0.3, -1.1])  # rad


def with_bases(rng: np.random.Generator, control: str, links: int, occupied: int = 1) -> Network:
    """Return a network in which every fifth sight is an azimuth, on one of two bases in turn."""
    network, truth = random_network(
        rng, setups=5, marks=8, control=control, drop=0.0, links=links, occupied=occupied
    )
    sights = network.sights
    number = np.arange(len(sights))
    azimuth = number % 5 == 0
    basis = np.where(azimuth, number // 5 % 2, -1)
    value = sights.value.copy()
    value[:, 0] += np.where(azimuth, truth.orientation[sights.setup] - TURNS[basis], 0.0)
    value[:, 0] = np.mod(value[:, 0], 2 * np.pi)
    start = replace(network.start, turn=TURNS + rng.normal(scale=1e-4, size=2))
    read = replace(sights, value=value, azimuth=azimuth, basis=basis)
    return replace(network, sights=read, start=start)


@pytest.mark.parametrize("frame", [held_frame, minimal_frame])
@pytest.mark.parametrize("seed", range(2))
def test_a_reading_moves_the_site_as_another_adjustment_says(frame, seed) -> None:
    """F C of a sight's three readings and of a link: each changed by a tenth of an sd, refitted.

    Setups with their turns, marks, side shots aside; azimuths of both bases among the sights.
    """
    network = with_bases(np.random.default_rng(seed), "mixed" if seed else "held", links=2)
    result = adjust(network, PRECISION, 0.13, frame(network))
    based = np.flatnonzero(result.connections.basis >= 0)
    chosen = [*based[:3].tolist(), *np.flatnonzero(result.connections.turning)[[0, 7]].tolist()]
    spoken = everything(result)
    columns, changed = [], []
    for connection in chosen:
        for kind in range(3):
            bias = np.zeros((len(result.connections), 3))
            bias[connection, kind] = 0.1 * result.sd[connection, kind]
            column = np.zeros(len(spoken))
            column[: bias.size] = result.noise.whitened(bias).ravel()
            columns.append(column)
            value = network.sights.value.copy()
            value[result.connections.source[connection], kind] += bias[connection, kind]
            changed.append(replace(network, sights=replace(network.sights, value=value)))
    column = np.zeros(len(spoken))
    column[-1] = 0.1
    columns.append(column)
    link = network.links.value + 0.1 * network.links.sd * (np.arange(2) == result.problem.links[-1])
    changed.append(replace(network, links=replace(network.links, value=link)))
    setup, point = responses(result, np.column_stack(columns))
    marks = result.system.structure.marks
    largest = []
    for number, other in enumerate(changed):
        again = adjust(other, PRECISION, 0.13, frame(network))
        moved = np.column_stack([again.axis - result.axis, again.orientation - result.orientation])
        assert np.abs(moved - setup[:, :, number]).max() < 2e-8  # m, rad
        away = (again.position - result.position)[marks]
        assert np.abs(away - point[marks, :, number]).max() < 2e-8  # m
        largest.append(max(np.abs(moved).max(), np.abs(away).max()))
    assert sum(size > 1e-6 for size in largest) > 10  # m, rad: nearly all of them count


class TurningOracle(Oracle):
    """The dense equations of `tests.adjust.networks` with the turn of each basis as unknowns."""

    def residual(self, x: np.ndarray) -> np.ndarray:
        """Take the turn of its basis for the orientation wherever an azimuth was observed."""
        out = super().residual(x[:-2])
        sights, setups = self.network.sights, self.unpack(x[:-2])[0]
        row = np.cumsum(np.isfinite(sights.value)).reshape(-1, 3)[:, 0] - 1
        own = np.flatnonzero(sights.azimuth)
        sd = self.sd["sight"][own, 0]
        off = out[row[own]] * sd + setups[sights.setup[own], 3] - x[-2:][sights.basis[own]]
        out[row[own]] = (off - np.round(off.real / (2 * np.pi)) * 2 * np.pi) / sd
        return out


@pytest.mark.parametrize(("frame", "control"), [(held_frame, True), (minimal_frame, False)])
def test_turns_are_solved_for_with_all_their_covariances(frame, control) -> None:
    """Normal equations fulfilled, and the whole inverse: held, or bordered by inner constraints.

    Blocks of setups, of points, of turns and of turns with both; to 1e-6 of the sds.
    """
    # An offset over a mark does not turn with the site: a free one has none.
    network = with_bases(np.random.default_rng(5), "held", links=3, occupied=int(control))
    result = adjust(network, PRECISION, 0.13, frame(network))
    oracle = TurningOracle(network, PRECISION, stated_sds(result) | {"control": control})
    setup = np.column_stack([result.axis, result.orientation])
    x = np.concatenate([setup.ravel(), result.position.ravel(), result.turn])
    held = (network.control_sd == 0).ravel() & control
    free = np.flatnonzero(np.concatenate([np.ones(setup.size, bool), ~held, [True, True]]))
    design = oracle.jacobian(x)[:, free]
    sizes = np.sqrt(np.diagonal(np.linalg.pinv(design.T @ design, rcond=1e-15)))
    push = np.linalg.lstsq(design / np.linalg.norm(design, axis=0), oracle.residual(x).real)[0]
    assert np.abs(push / np.linalg.norm(design, axis=0) / sizes).max() < 1e-3  # of its sd
    assert np.abs(result.turn - TURNS).max() < 1e-3  # rad
    border = np.zeros((len(x), 0))
    if not control:
        rows = setup.size + 3 * np.flatnonzero(frame(network).datum_points)
        border = np.zeros((len(x), 4))
        for k in range(3):
            border[rows + k, k] = 1.0
        border[rows, 3], border[rows + 1, 3] = -x[rows + 1] / 30, x[rows] / 30
    border = border[free]
    nothing = np.zeros((border.shape[1],) * 2)
    system = np.block([[design.T @ design, border], [border.T, nothing]])
    scale = 1 / np.sqrt(np.maximum(np.abs(np.diag(system)), 1e-2))
    inverse = np.linalg.inv(system * scale[:, None] * scale) * scale[:, None] * scale
    whole = np.zeros((len(x), len(x)))
    whole[np.ix_(free, free)] = inverse[: len(free), : len(free)]
    sd = np.sqrt(np.maximum(np.diagonal(whole), 1e-20))

    def check(found: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> None:
        share = (found - whole[np.ix_(rows, columns)]) / np.outer(sd[rows], sd[columns])
        assert np.abs(share).max() < 1e-6  # of correlation

    turns = len(x) - 2 + np.arange(2)
    check(result.with_turns.turn, turns, turns)
    for number in range(len(setup)):
        own = 4 * number + np.arange(4)
        check(result.setup_covariance[number], own, own)
        check(result.with_turns.setup[number], own, turns)
    marks = set(result.system.structure.marks.tolist())
    for number in range(len(result.position)):
        own = setup.size + 3 * number + np.arange(3)
        check(result.point_covariance[number], own, own)
        if number in marks:
            check(result.with_turns.mark[number], own, turns)
