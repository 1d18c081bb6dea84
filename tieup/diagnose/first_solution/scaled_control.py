"""A control list that fits the survey, but only with a scale: grid against ground.

Held to such a list, every reading would be bent to fit. Before anything else is looked for, the
site is solved free and laid on the list: where a scale alone makes them agree, the list is not
held, and a person has to say what it is.

Reference: Ghilani, Adjustment Computations, two-dimensional conformal transformation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.adjust import adjust
from tieup.adjust.distributions import chi_square_tail
from tieup.adjust.linear import fit_linear
from tieup.adjust.problem import minimal_frame
from tieup.adjust.similarity import Similarity, fit_similarity
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.solve import Prepared, assemble, solve
from tieup.errors import TieupError
from tieup.geometry import EARTH_RADIUS
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.finding import Finding, Rival
from tieup.model.finding_kinds import CONTROL_SCALE
from tieup.model.network import Network
from tieup.model.settings import Datum, Grid, Tolerances

LEAST, GRID_LEAST, GRID_MOST = 20e-6, 80e-6, 600e-6  # trade habit: 5-40 weather, 100-400 grid
PLAIN = 5.0  # sds beyond which list and shots cannot both be held
ONE_BODY = 4  # motions of one body: three shifts and a turn
FEWEST = 3  # marks: between two, a scale is what any mistake looks like
PAIR = 2  # marks that can still say that the list cannot be held, and not why
FLOOR = 0.002  # m; marks and shots agree no better: common practice, no source
NEAR = 11.0  # what is left more than with a scale, below which one wrong mark is a rival
ONE_MORE = 2.0  # the price of the one number more that a wrong mark takes
FITS = 1e-4  # chance below which the list does not fit with a scale either
PPM = 1e-6


def free_of_scaled_control(
    case: Case, limits: Tolerances
) -> tuple[Case, tuple[Finding, ...], Prepared | None]:
    """Return the case without control held, and the finding, where its list is scaled.

    Where the scale stays within ``limits`` across the marks the list stays held.

    Beside them stands what was prepared to solve the case, None where nothing was.
    """
    if case.datum.kind != "control" or case.control is None or not len(case.setups):
        return case, (), None
    prepared = _prepared(case)
    free = replace(case, datum=Datum("free"))
    try:
        network, adjustment = _free_net(free, prepared)
        onto = _onto_control(network, adjustment)
    except TieupError:
        return case, (), prepared
    if onto is None or (len(onto.marks) < FEWEST and not _misses(prepared)):
        return case, (), prepared
    fit, marks, alone = onto.fit, onto.marks, onto.alone
    if alone.min() + ONE_MORE < fit.weighted_sum_plan:
        return case, (), prepared  # one wrong mark says it better: the search will name it
    scale, sd = 1.0 / fit.scale - 1.0, fit.sd_scale
    if abs(scale) > GRID_MOST or abs(scale) < PLAIN * sd:
        return case, (), prepared
    if largest_misfit(scale, network.control[_common(network, adjustment), :2]) < limits.horizontal:
        return case, (), prepared
    if fit.dof_plan and float(chi_square_tail(fit.weighted_sum_plan, fit.dof_plan)) < FITS:
        return case, (), prepared
    near = alone - fit.weighted_sum_plan <= NEAR
    names = tuple(case.points[mark] for mark in marks[near])
    height = mean_elevation(network.control[marks, 2], network.origin[2])
    cause = likely_cause(scale, sd, height, case.precision.grid)
    found = scale_finding(scale, sd, fit.turn, cause, names, freed=True)
    return free, (found,), None


def _misses(prepared: Prepared | None) -> bool:
    """Say whether a site held to its list has no solution, or readings far off its start."""
    return prepared is None or bool(prepared.network.start.gross.any())


def _prepared(case: Case) -> Prepared | None:
    """Build the network of a case, and fit it minimally where nothing misses its start."""
    try:
        reduction, network = assemble(case)
    except TieupError:
        return None
    prepared, start = Prepared(case, reduction, network), network.start
    gross = (start.gross, start.gross_station, start.gross_control, start.gross_link)
    if any(part.any() for part in gross):
        return prepared
    frame = minimal_frame(network)
    try:
        return replace(prepared, minimal=adjust(network, case.precision, case.refraction, frame))
    except TieupError:
        return prepared


def _free_net(free: Case, prepared: Prepared | None) -> tuple[Network, Adjustment]:
    """Return the network and the adjustment of the site without control.

    Where nothing misses its start and the site hangs together without control, the minimally
    constrained fit of the network held to it is that of the free one.
    """
    if prepared is not None and prepared.minimal is not None:
        minimal = prepared.minimal
        if minimal.problem.solved_setup.all() and minimal.defect <= ONE_BODY:
            return prepared.network, minimal
    solved = solve(free.without_mask(_side_shots(free)))
    return solved.network, solved.adjustment


def _side_shots(case: Case) -> BoolArray:
    """Mark the components (m, 3) of shots that tie nothing: the scale is not in them."""
    shots = case.shots
    known = set(case.control.names) if case.control is not None else set()
    ties = np.array([name in known for name in case.points], dtype=np.bool_)
    lowest, highest = np.full(len(ties), len(case.setups)), np.full(len(ties), -1)
    np.minimum.at(lowest, shots.point, shots.setup)
    np.maximum.at(highest, shots.point, shots.setup)
    ties |= highest > lowest
    ties[[case.points.index(s.station) for s in case.setups if s.station]] = True
    return np.repeat(~ties[shots.point][:, None], 3, axis=1)


@dataclass(frozen=True)
class _Onto:
    """A free net laid on the list: the ``fit`` with a scale over the ``marks`` (k,).

    ``alone`` (k,) is what is left in plan where each mark alone is wrong and nothing is scaled.
    """

    fit: Similarity
    marks: IntArray
    alone: FloatArray


def _onto_control(network: Network, adjustment: Adjustment) -> _Onto | None:
    """Fit the free net onto the list; None with too few marks."""
    control, point = network.control, _common(network, adjustment)
    if len(point) < PAIR:
        return None
    own = np.diagonal(adjustment.point_covariance[point], axis1=1, axis2=2)
    given = np.nan_to_num(network.control_sd[point])
    sd = np.sqrt(np.nan_to_num(own) + given**2 + FLOOR**2)
    fit = fit_similarity(adjustment.position[point], control[point], sd)
    alone = _left_without_each(adjustment.position[point], control[point], sd, fit.turn)
    return _Onto(fit, point, alone)


def _left_without_each(
    source: FloatArray, target: FloatArray, sd: FloatArray, turn: float
) -> FloatArray:
    """Return the weighted sum in plan (k,) of rigid fits that leave one mark out in turn.

    ``turn`` (rad) is nearly that of the fits, so that they are linear.
    """
    if len(source) == PAIR:
        return np.zeros(PAIR)  # without one of two nothing is left to fit
    cosine, sine = np.cos(turn), np.sin(turn)
    north, east = (source[:, :2] @ np.array([[cosine, sine], [-sine, cosine]])).T
    off = target[:, :2] - np.column_stack([north, east])
    one, zero = np.ones_like(north), np.zeros_like(north)
    design = np.stack(
        [np.column_stack([one, zero, -east]), np.column_stack([zero, one, north])], axis=1
    )
    design[:, :, 2] -= design[:, :, 2].mean(axis=0)
    sums = []
    for mark in range(len(source)):
        rest = np.arange(len(source)) != mark
        fit = fit_linear(design[rest].reshape(-1, 3), off[rest].ravel(), sd[rest, :2].ravel())
        sums.append(fit.weighted_sum)
    return np.array(sums)


def _common(network: Network, adjustment: Adjustment) -> IntArray:
    """Return the points that the list and the shots both place in plan."""
    listed = np.isfinite(network.control[:, :2]).all(axis=1)
    return np.flatnonzero(listed & np.isfinite(adjustment.position[:, 0]))


def largest_misfit(scale: float, place: FloatArray) -> float:
    """Return what a scale comes to across the marks ``place`` (k, 2), in m.

    >>> largest_misfit(1e-4, np.array([[0.0, 0.0], [30.0, 40.0]])) == 1e-4 * 50.0
    True
    """
    return abs(scale) * float(np.hypot(*np.ptp(place, axis=0))) if len(place) else 0.0


def scale_finding(
    scale: float,
    sd: float,
    turn: float | None,
    cause: str,
    marks: tuple[str, ...],
    *,
    freed: bool,
) -> Finding:
    """Return the finding about lengths of the survey over those of the list, minus 1.

    ``turn`` (rad) is that of the best fit, ``cause`` a sentence on what may be behind it. ``marks``
    are those of which one, wrong, would explain it about as well; ``freed``: the list is not held.
    """
    statistic = abs(scale) / sd
    looks = GRID_LEAST <= abs(scale) <= GRID_MOST
    longer = "longer" if scale > 0 else "shorter"
    turned = (
        "" if turn is None else f" The best fit turns it by {np.degrees(turn) * 3600:.0f} seconds."
    )
    kept = " The list is not held: the site has its own shape." if freed else ""
    return CONTROL_SCALE.found(
        severity="stop" if freed or (looks and statistic > PLAIN) else "check",
        size=scale / PPM,
        unit="ppm",
        sd=sd / PPM,
        statistic=statistic,
        rivals=(
            Rival("distance-scale", "", (), statistic, separable=False),
            *(Rival("control-coordinate", "", (m,), statistic, separable=False) for m in marks),
        ),
        action="freed" if freed else "left in",
        says=f"The shots measure lengths {abs(scale) / PPM:.0f} mm per km {longer} than the "
        f"control list (give or take {sd / PPM:.0f}); {_by_marks(marks)}."
        f"{cause}{turned}{kept}",
        confirm="Look up on what grid the control was computed and whether its lengths are grid or "
        "ground; look at the scale factor set in the instrument; tape one long line.",
        cure="State the grid of the control (grid: in job.yaml), or get ground coordinates; never "
        "stretch the list to fit.",
    )


def _by_marks(marks: tuple[str, ...]) -> str:
    if not marks:
        return "no single mark explains it"
    return f"or {' or '.join(marks)} alone is wrong: the readings cannot tell"


def mean_elevation(height: FloatArray, origin: float) -> float:
    """Return the mean elevation (m) of known marks from their heights over ``origin``, or NaN."""
    known = height[np.isfinite(height)]
    return float(known.mean() + origin) if len(known) else np.nan


def likely_cause(scale: float, sd: float, elevation: float, grid: Grid | None) -> str:
    """Return a sentence on what makes lengths differ by ``scale``, known to ``sd``.

    At ``elevation`` H (m) lengths on the ground are longer than at sea level by H / R
    (e.g. Ghilani, Adjustment Computations, reduction of distances to the ellipsoid).
    """
    if grid is not None:
        return f" The job states a {grid.words}: it looks as if that were applied twice or wrongly."
    by_height = elevation / EARTH_RADIUS
    if by_height > LEAST and abs(scale - by_height) <= max(3.0 * sd, 0.1 * by_height):
        return (
            f" It is what {elevation:.0f} m above the sea make: control at sea level, distances on "
            "the ground."
        )
    if not GRID_LEAST <= abs(scale) <= GRID_MOST:
        return (
            " That is too little for most grid factors: weather not set in the instrument, or "
            "control from two sources."
        )
    return (
        " It looks like a grid factor: control on a map grid (or at sea level), distances on the "
        "ground."
    )
