"""The adjustment of one network in one frame: the room's front door."""

from __future__ import annotations

import numpy as np

from tieup.adjust.elimination import (
    UndeterminedMarkError,
    UndeterminedSetupError,
    UndeterminedTurnError,
)
from tieup.adjust.iterate import UnsettledError
from tieup.adjust.problem import Frame, make_problem
from tieup.adjust.solution import Adjustment
from tieup.adjust.solve_in_frame import solve_problem
from tieup.adjust.statistics import describe
from tieup.errors import AdjustmentError
from tieup.model.network import Network
from tieup.model.settings import Precision
from tieup.threads import one_thread


def adjust(network: Network, precision: Precision, refraction: float, frame: Frame) -> Adjustment:
    """Adjust ``network`` in ``frame``; leave out, and name, what is not determined.

    Parameters
    ----------
    network, precision
        Observations with start values; stated standard deviations.
    refraction
        Coefficient k.
    frame
        See `tieup.adjust.problem`.

    Raises
    ------
    AdjustmentError
        When the iteration does not settle.
    """
    without_setup = np.zeros(len(network.setup_labels), dtype=bool)
    without_point = np.zeros(len(network.point_names), dtype=bool)
    without_basis = np.zeros(network.sights.bases, dtype=bool)
    with one_thread():
        while True:
            without = without_setup, without_point, without_basis
            problem = make_problem(network, frame, *without)
            try:
                solution = solve_problem(problem, precision, refraction)
            except UndeterminedMarkError as error:
                without_point[error.points] = True
            except UndeterminedSetupError as error:
                without_setup[error.setup] = True
            except UndeterminedTurnError as error:
                without_basis[error.basis] = True
            except UnsettledError as error:
                raise _unsettled(network, error) from error
            else:
                lost = network.start.plan_point & ~problem.solved_point
                return describe(solution, precision, without_setup, without_point | lost)


def _unsettled(network: Network, error: UnsettledError) -> AdjustmentError:
    setups = tuple(network.setup_labels[setup] for setup in error.setups.tolist())
    where = f"setup {', '.join(setups)}" if setups else "raw files"
    return AdjustmentError(
        f"{where}: the adjustment did not settle in {error.steps} steps (the last moved a "
        f"coordinate by {error.size:.3g} m): the start values or a gross mistake mislead it. "
        "Check point names and units",
        setups=setups,
        sight=error.sight,
    )
