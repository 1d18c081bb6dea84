"""An adjustment settles: where Gauss-Newton swings it goes on downhill, and only there."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.compare import dense_problem
from tests.adjust.networks import PRECISION, held_to_control, random_network
from tieup.adjust import descent, elimination, iterate
from tieup.adjust.adjust import adjust
from tieup.adjust.descent import Spot, along
from tieup.adjust.elimination import Held
from tieup.adjust.evaluation import make_equations, start_state
from tieup.adjust.problem import Frame, held_frame, make_problem, minimal_frame
from tieup.adjust.solve_in_frame import _structure
from tieup.errors import AdjustmentError
from tieup.model.network import Network

GROSS = 3000.0  # times the ordinary errors: degrees and metres, as a wrong name brings them
SWINGING = (26, 28, 36, 42)  # seeds whose networks thirty steps of Gauss-Newton do not settle


class WentDownError(Exception):
    """Gauss-Newton alone did not settle."""


def _never(*_: object) -> None:
    raise WentDownError


def swinging(seed: int) -> Network:
    """Return a network with readings that contradict each other grossly."""
    return random_network(np.random.default_rng(seed), noise=GROSS)[0]


@pytest.mark.parametrize("seed", SWINGING)
def test_what_gauss_newton_swings_on_settles_where_the_gradient_vanishes(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the textbook equations no unknown would move by 1e-4 of its sd; v'Pv is theirs."""
    network = swinging(seed)
    result = held_to_control(network)
    oracle, x0, free = dense_problem(result, control=True)
    x = x0.copy()
    setups = np.column_stack([result.axis, result.orientation])
    x[: setups.size], x[setups.size :] = setups.ravel(), result.position.ravel()
    residual, design = oracle.residual(x).real, oracle.jacobian(x)[:, free]
    assert result.weighted_sum == pytest.approx(residual @ residual, rel=1e-9)
    gradient = design.T @ residual
    step = np.linalg.solve(design.T @ design, gradient)
    assert np.sqrt(step @ gradient) < 1e-4
    monkeypatch.setattr(iterate, "descend", _never)
    with pytest.raises(WentDownError):
        held_to_control(network)


@pytest.mark.parametrize("seed", SWINGING[:2])
def test_precision_comes_from_a_factor_made_at_the_solution(seed: int) -> None:
    """The factor of a solution that went downhill is that of its own last design rows."""
    result = held_to_control(swinging(seed))
    structure = result.system.structure
    marks = structure.marks
    held = Held(result.held.setup, result.held.point[marks])
    again = elimination.eliminate(structure, result.rows, result.problem.weight[marks], held)
    assert np.array_equal(result.system.root, again.root)
    assert all(
        np.array_equal(one, other)
        for one, other in zip(result.system.factor.pivot, again.factor.pivot, strict=True)
    )


@pytest.mark.parametrize("seed", [4, 14, 15, 20, 21])
def test_the_sight_that_keeps_it_swinging_is_named(seed: int) -> None:
    """A setup is drawn into one of its marks: the error names a sight without which it settles."""
    network = swinging(seed)
    with pytest.raises(AdjustmentError, match="did not settle") as caught:
        held_to_control(network)
    value = network.sights.value.copy()
    value[caught.value.sight] = np.nan
    without = replace(network, sights=replace(network.sights, value=value))
    assert np.isfinite(held_to_control(without).weighted_sum)


@pytest.mark.parametrize("seed", [4, 20])
def test_the_setups_that_move_most_are_named(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three at most, the worst first, none that moves less than a tenth of it; and how far."""
    ends: list[descent.Descended] = []
    goes_down = iterate.descend

    def noted(*given: object) -> descent.Descended:
        ends.append(goes_down(*given))  # type: ignore[arg-type]
        return ends[-1]

    monkeypatch.setattr(iterate, "descend", noted)
    network = swinging(seed)
    with pytest.raises(AdjustmentError) as caught:
        held_to_control(network)
    moved = np.abs(ends[-1].by_setup).max(axis=1)
    worst = sorted(range(len(moved)), key=lambda setup: -moved[setup])[:3]
    named = [f"S{setup}" for setup in worst if moved[setup] > 0.1 * moved.max()]
    assert list(caught.value.setups) == named and 1 < len(named) <= 3
    assert f"by {ends[-1].size:.3g} m" in str(caught.value)
    assert ends[-1].size == np.abs(ends[-1].step).max() >= moved.max()
    (steps,) = re.findall(r"did not settle in (\d+) steps", str(caught.value))
    assert ends[-1].steps < int(steps) <= iterate.MOST_ITERATIONS


@pytest.mark.parametrize("place", ["distance", "target height", "start"])
def test_numbers_beyond_all_measure_are_refused(place: str) -> None:
    """What overflows is no solution: an error, and no sight is blamed at random."""
    network = random_network(np.random.default_rng(1))[0]
    sights, axis = network.sights, network.start.axis.copy()
    value, rise = sights.value.copy(), sights.target_height.copy()
    if place == "distance":
        value[0, 2] = 1e200
    elif place == "target height":
        rise[0] = np.inf
    else:
        axis[0, 0] = 1e200
    sights = replace(sights, value=value, target_height=rise)
    broken = replace(network, sights=sights, start=replace(network.start, axis=axis))
    with np.errstate(all="ignore"), pytest.raises(AdjustmentError, match="settle") as caught:
        held_to_control(broken)
    assert caught.value.sight == -1


@pytest.mark.parametrize("seed", range(8))
def test_an_ordinary_network_never_goes_downhill(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ordinary errors: Gauss-Newton alone, in six steps at most with those into the frame."""
    monkeypatch.setattr(iterate, "descend", _never)
    assert held_to_control(random_network(np.random.default_rng(seed))[0]).iterations <= 6


@pytest.mark.parametrize("frame", [held_frame, minimal_frame])
def test_steps_are_counted(frame: Callable[[Network], Frame]) -> None:
    """Perfect readings that start at the truth settle in one step, in their frame or into it."""
    network, truth = random_network(np.random.default_rng(2), control="held", noise=0.0)
    start = replace(
        network.start, axis=truth.axis, orientation=truth.orientation, position=truth.position
    )
    result = adjust(replace(network, start=start), PRECISION, 0.13, frame(network))
    assert result.iterations == 1 and result.weighted_sum < 1e-9


def spot_of(network: Network) -> tuple[Spot, np.ndarray]:
    """Return the start of a network and the Gauss-Newton step from it."""
    none = np.zeros(len(network.setup_labels), bool), np.zeros(len(network.point_names), bool)
    problem, state = make_problem(network, held_frame(network), *none), start_state(network)
    structure = _structure(problem, problem.connections, state)
    inner, held = state.of(structure.marks), problem.held_point[structure.marks]
    equations = make_equations(
        problem,
        structure,
        problem.connections,
        Held(problem.held_setup, held),
        inner,
        PRECISION,
        0.13,
    )
    spot = Spot(equations, inner, iterate.evaluate(equations, inner))
    system = elimination.eliminate(
        structure, spot.evaluation.rows, equations.weight, equations.held
    )
    return spot, descent._solved(system, spot.downhill)


@pytest.mark.parametrize("times", [0.02, 1.0, 30.0])
def test_a_step_is_made_as_long_as_the_fit_along_it_asks_for(times: float) -> None:
    """Far too short, right, far too long: it ends where the slope is less than half of the first.

    The fit is lower there, and no step leads uphill.
    """
    spot, step = spot_of(random_network(np.random.default_rng(3), side_shots=0)[0])
    step = times * step
    slope = float(step @ spot.downhill)
    found = along(spot, step, slope)
    assert found is not None
    there, length = found
    assert there.evaluation.fit < spot.evaluation.fit
    assert abs(float(step @ there.downhill)) <= 0.5 * slope
    assert 0.4 < length * times < 1.6
    assert along(spot, -step, -slope) is None


@pytest.mark.parametrize(
    ("idle", "settles"),
    [(("SMALL_STEP",), True), (("NO_MATTER",), True), (("SMALL_STEP", "NO_MATTER"), False)],
)
def test_a_last_step_is_small_in_metres_or_against_its_sd(
    idle: tuple[str, ...], settles: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Either is enough; a site that reaches neither is refused."""
    for name in idle:
        monkeypatch.setattr(iterate, name, 0.0)
    if settles:
        assert np.isfinite(held_to_control(swinging(SWINGING[0])).position).all()
        return
    with pytest.raises(AdjustmentError):
        held_to_control(swinging(SWINGING[0]))
