"""How large is a gross mistake, once the site is solved without it?

Readings of a single sight are put back at the values that the solution expects of
them, so that nothing is pulled; the difference to what was read is the mistake, exact
however gross it is, and the put-back solution gives its standard deviation. Marks that
were freed or split show their mistake as a difference of coordinates.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.adjust.distributions import chi_square_critical
from tieup.diagnose.evidence import gather, stack
from tieup.diagnose.hypotheses import Hypothesis
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.predict import misfit, predicted, sighted_place
from tieup.diagnose.runs import measured_run
from tieup.diagnose.shots import single_readings, target_heights, wrong_targets
from tieup.diagnose.solve import Solved, job_frame, settled_fit, without_gross
from tieup.diagnose.subjects import Subjects
from tieup.geometry import curvature_coefficient, wrap_half
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.link_kinds import LINK_KINDS
from tieup.model.observations import DISTANCE, KINDS, ZENITH, Sights
from tieup.reduce.sights import reduce_shots

FAMILIES = {
    "target-height": target_heights,
    "point-name": wrong_targets,
    **dict.fromkeys(KINDS, single_readings),
}


def measure(solved: Solved, mistake: Mistake) -> Mistake:
    """Return the mistake with size, covariance and statistic from the final solution."""
    match mistake.kind:
        case "control-coordinate":
            return _freed_control(solved, mistake)
        case "mark-moved":
            return _split_mark(solved, mistake)
        case "station-name":
            return _freed_station(solved, mistake)
        case "instrument-height":
            return _freed_height(solved, mistake)
        case "instrument-moved":
            return _split_setup(solved, mistake)
        case kind if kind in LINK_KINDS:
            return measured_run(solved, mistake)
    return _sight(solved, mistake)


NO_SHIFT = 0.001  # chance below which a shift is one
UNITS = {"direction": "rad", "zenith": "rad", "distance": "m", "target-height": "m"}


def _finished(mistake: Mistake, size: FloatArray, covariance: FloatArray) -> Mistake:
    """Return the mistake with its size, in the unit that its kind has."""
    mistake = replace(mistake, unit=UNITS.get(mistake.kind, "m"))
    statistic = float(np.sqrt(size @ np.linalg.pinv(covariance, hermitian=True) @ size))
    return replace(mistake, size=size, covariance=covariance, statistic=statistic)


def _freed_control(solved: Solved, mistake: Mistake) -> Mistake:
    """Compare the given coordinates with those that all sights of the mark agree on."""
    case, network = solved.case, solved.network
    control = case.given
    point = case.points.index(mistake.points[0])
    if control is None or not np.isfinite(solved.adjustment.position[point]).all():
        return mistake
    given = control.coordinates[control.names.index(mistake.points[0])] - network.origin
    parts = np.array(["NEH".index(letter) for letter in mistake.detail])
    difference = given - solved.adjustment.position[point]
    covariance = solved.adjustment.point_covariance[point]
    return _finished(mistake, difference[parts], covariance[np.ix_(parts, parts)])


def _split_mark(solved: Solved, mistake: Mistake) -> Mistake:
    """Compare the mark's two places: later minus earlier."""
    points = np.array(
        [solved.case.points.index(n) for n in (mistake.points[0], mistake.instead[0])]
    )
    position = solved.adjustment.position[points]
    if not np.isfinite(position).all():
        return mistake
    joint = point_covariance(solved.adjustment, points)
    covariance = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
    return _finished(mistake, position[1] - position[0], covariance)


def _freed_station(solved: Solved, mistake: Mistake) -> Mistake:
    """Compare where the instrument stood with the mark it was said to stand over."""
    case = solved.case
    setup = next(n for n, s in enumerate(case.setups) if s.label == mistake.setup)
    point = case.points.index(mistake.points[0])
    axis = solved.adjustment.axis[setup, :2]
    away = solved.adjustment.position[:, :2] - axis
    distance = np.where(np.isfinite(away[:, 0]), np.hypot(away[:, 0], away[:, 1]), np.inf)
    distance[point] = np.inf
    nearest = int(np.argmin(distance))
    instead = (case.points[nearest],) if distance[nearest] < 0.05 else ()
    size = solved.adjustment.position[point, :2] - axis
    if not np.isfinite(size).all():
        return replace(mistake, instead=instead)
    covariance = solved.adjustment.setup_covariance[setup, :2, :2]
    covariance = covariance + solved.adjustment.point_covariance[point, :2, :2]
    return replace(_finished(mistake, size, covariance), instead=instead)


def _freed_height(solved: Solved, mistake: Mistake) -> Mistake:
    """Compare the booked height of the instrument with what its sights say."""
    case = solved.case
    setup = next(n for n, s in enumerate(case.setups) if s.label == mistake.setup)
    point = case.points.index(mistake.points[0])
    rise = solved.adjustment.axis[setup, 2] - solved.adjustment.position[point, 2]
    booked = case.booked_heights[setup]
    variance = solved.adjustment.setup_covariance[setup, 2, 2]
    variance = variance + solved.adjustment.point_covariance[point, 2, 2]
    variance += case.precision.height_instrument**2
    if not np.isfinite(rise):
        return mistake
    return _finished(mistake, np.array([booked - rise]), np.array([[variance]]))


def _split_setup(solved: Solved, mistake: Mistake) -> Mistake:
    """Compare where the instrument stood and how it was turned: later minus earlier.

    A shift within chance is none: the instrument was turned and no more.
    """
    case, adjustment = solved.case, solved.adjustment
    first = next(n for n, s in enumerate(case.setups) if s.label == mistake.setup)
    second = int(case.shots.setup[mistake.rows[0]])
    shift = adjustment.axis[second] - adjustment.axis[first]
    turn = float(wrap_half(adjustment.orientation[first] - adjustment.orientation[second]))
    size = np.array([*shift, turn])
    if first == second or not np.isfinite(size).all():
        return mistake
    covariance = adjustment.setup_covariance[first] + adjustment.setup_covariance[second]
    moved = float(shift @ np.linalg.pinv(covariance[:3, :3], hermitian=True) @ shift)
    if moved > chi_square_critical(NO_SHIFT, 3.0):
        return _finished(mistake, size, covariance)
    turned = _finished(mistake, size[3:], covariance[3:, 3:])
    return replace(turned, unit="rad")


def _sight(solved: Solved, mistake: Mistake) -> Mistake:
    """Measure a mistake of single sights by putting their readings back."""
    subjects, sights, off = put_back(solved, mistake.rows, mistake.kinds)
    own = np.unique(subjects.evidence.pointings.sight[mistake.rows])
    own = own[own >= 0]
    if not len(own):
        return mistake
    kind = {"face": "direction", "backsight": "point-name", "swapped-names": "point-name"}.get(
        mistake.kind, mistake.kind
    )
    sizes = _sizes(solved, kind, sights, off)
    best = mistake
    for number in own:
        hypothesis = _hypothesis(subjects, kind, int(number))
        if hypothesis is None:
            continue
        tested = stack(subjects.evidence, (hypothesis,))
        information = tested.own(tested.index((0,)))
        spread: FloatArray = np.asarray(np.linalg.pinv(information, hermitian=True), np.float64)
        measured = _finished(mistake, sizes[number], spread)
        if not best.statistic > measured.statistic:
            best = measured
    known = {(r.kind, r.setup) for r in best.rivals}
    more = tuple(r for r in _rivals(best) if (r.kind, r.setup) not in known)
    return replace(best, rivals=(*best.rivals, *more))


def _sizes(solved: Solved, kind: str, sights: Sights, off: FloatArray) -> FloatArray:
    """Return observed minus right of each sight (k, q), without linearising."""
    if kind == "target-height":
        return height_errors(solved, sights)[:, None]
    if kind == "point-name":
        place = sighted_place(sights, solved.adjustment, solved.case.refraction)
        return place - solved.adjustment.position[sights.point]
    return off[:, KINDS.index(kind)][:, None]


def height_errors(solved: Solved, sights: Sights) -> FloatArray:
    """Return booked minus right pole height (k,) from the zenith angles alone."""
    bend = curvature_coefficient(solved.case.refraction)
    expected = predicted(sights, solved.adjustment, solved.case.refraction)
    plan = expected[:, DISTANCE] * np.sin(expected[:, ZENITH])
    seen = plan / np.tan(sights.value[:, ZENITH] - bend * plan)
    return np.asarray(plan / np.tan(expected[:, ZENITH] - bend * plan) - seen)


def _hypothesis(subjects: Subjects, kind: str, sight: int) -> Hypothesis | None:
    """Return the hypothesis of this kind about one whole sight."""
    for hypothesis in FAMILIES[kind](subjects):
        one = subjects.evidence.pointings.sight[hypothesis.rows]
        if hypothesis.kind == kind and not hypothesis.detail and (one == sight).all():
            return hypothesis
    return None


def _rivals(mistake: Mistake) -> tuple[RivalCause, ...]:
    """Name what the same readings could as well mean."""
    same = {
        "target-height": ("zenith",),
        "zenith": ("target-height",),
        "point-name": () if mistake.instead else ("mark-moved",),
        "backsight": () if mistake.instead else ("point-name", "mark-moved"),
    }.get(mistake.kind, ())
    return tuple(
        RivalCause(kind, mistake.setup, mistake.points, mistake.statistic, separable=False)
        for kind in same
    )


def put_back(
    solved: Solved, rows: IntArray, kinds: tuple[int, ...]
) -> tuple[Subjects, Sights, FloatArray]:
    """Put ``rows`` back at their expected values.

    Returns
    -------
    the site with them, its sights as really observed, and their misfit (k, 3): observed
    minus expected in rad, rad, m, 0 for every other reading.
    """
    case = solved.case
    touched = np.zeros(case.use.shape, dtype=bool)
    touched[np.ix_(rows, np.array(kinds, dtype=np.int64))] = True
    reduction = reduce_shots(case.shots, case.setups, case.precision, case.use | touched)
    sights = reduction.sights
    off = misfit(sights, solved.adjustment, case.refraction)
    back = np.zeros(off.shape, dtype=bool)
    row, kind = np.nonzero(touched & (reduction.pointings.sight >= 0)[:, None])
    back[reduction.pointings.sight[row], kind] = True
    off = np.where(back & np.isfinite(off), off, 0.0)
    network = without_gross(solved.network)
    calm = replace(
        network,
        sights=replace(sights, value=sights.value - off),
        start=replace(network.start, gross=np.zeros(off.shape, dtype=bool)),
    )
    left, adjustment = settled_fit(calm, case, lambda network: job_frame(case, network))
    evidence = gather(without_gross(left), adjustment, reduction.pointings)
    return Subjects(case.shots, case.setups, case.points, evidence), sights, off
