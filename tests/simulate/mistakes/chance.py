"""Plant one mistake at random: a likely victim, a size from the trade's catalogue.

Victims are marks that another setup or the control list knows too, so that a mistake can
show; whether the geometry lets it be named is for the benchmark to find out. Sizes are
those the catalogue of field mistakes proposes for injection.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from tests.simulate.mistakes import angles, control, distances, files, heights, moves, names
from tests.simulate.survey import Survey
from tieup.model.arrays import IntArray

ROD_STEPS = (0.100, 0.1524, 0.3048)  # m: 0.10 m, 0.50 ft, 1.00 ft
HEIGHT_STEPS = (0.03048, 0.100, 0.3048)  # m
PRISM_STEPS = (0.017, 0.023, 0.030, 0.034)  # m
SCALE_STEPS = (400.0,)  # ppm; 15 and 30 ppm are under 2 mm on a building site
BUMP_STEPS = (60.0, 180.0)  # arc seconds
AIM_STEPS = (120.0, 300.0)  # arc seconds
FAULT_STEPS = (20.0, 60.0)  # arc seconds
SETTLED_STEPS = (0.003, 0.005)  # m
KICK_STEPS = (0.012, 0.020, 0.050)  # m
TYPO_STEPS = (0.09, 0.9, 9.0)  # m

Rng = np.random.Generator
Planter = Callable[[Survey, Rng], Survey]


def _signed(rng: Rng, steps: tuple[float, ...]) -> float:
    return float(rng.choice(steps) * rng.choice([-1.0, 1.0]))


def shared_marks(survey: Survey, setup: str) -> list[str]:
    """Return the points of a setup that another setup sights, or whose coordinates are known."""
    known = set(survey.control.names if survey.control else ())
    own = survey.rows(setup)
    others = np.setdiff1d(np.arange(len(survey)), own)
    known |= {survey.points[i] for i in survey.shots.point[others]}
    return [p for p in _points(survey, own) if p in known]


def _points(survey: Survey, rows: IntArray) -> list[str]:
    return list(dict.fromkeys(survey.points[i] for i in survey.shots.point[rows]))


def _setup(survey: Survey, rng: Rng, *, occupied: bool = False) -> str:
    labels = [s.label for s in survey.setups if s.station or not occupied]
    if not labels:
        raise ValueError("this mistake needs a setup over a mark")
    return str(rng.choice(labels))


def _two_setups(survey: Survey, rng: Rng) -> tuple[str, str]:
    first, second = sorted(rng.choice(len(survey.setups), 2, replace=False))
    return survey.setups[first].label, survey.setups[second].label


def _mark_rows(survey: Survey, rng: Rng) -> IntArray:
    """Return all rows of one setup to one shared mark."""
    setup = _setup(survey, rng)
    return survey.rows(setup, str(rng.choice(shared_marks(survey, setup))))


def _plant_run(survey: Survey, rng: Rng) -> Survey:
    """Forget the pole's entry from some row to the last side shot, marks not included."""
    setup = _setup(survey, rng)
    rows = survey.rows(setup, role="side")
    if not len(rows):
        raise ValueError("a run of pole heights needs side shots")
    start = rng.integers(len(rows))
    return heights.target_height(survey, rows[start:], _signed(rng, ROD_STEPS))


def _middle_row(survey: Survey, rng: Rng) -> int:
    """Return a row in the middle third of a random setup."""
    rows = survey.rows(_setup(survey, rng))
    return int(rows[rng.integers(len(rows) // 3, max(2 * len(rows) // 3, len(rows) // 3 + 1))])


def _plant_name(survey: Survey, rng: Rng) -> Survey:
    setup = _setup(survey, rng)
    right = str(rng.choice(shared_marks(survey, setup)))
    wrong = rng.choice([p for p in _marks(survey) if p != right])
    return names.point_name(survey, setup, right, str(wrong))


def _marks(survey: Survey) -> list[str]:
    """Return the marks of the site: control and points of more than one setup."""
    labels = [s.label for s in survey.setups]
    return list(dict.fromkeys(p for label in labels for p in shared_marks(survey, label)))


def _plant_swap(survey: Survey, rng: Rng) -> Survey:
    setup = _setup(survey, rng)
    one, other = rng.choice(shared_marks(survey, setup), 2, replace=False)
    return names.swapped_names(survey, setup, str(one), str(other))


def _plant_backsight(survey: Survey, rng: Rng) -> Survey:
    setup = _setup(survey, rng)
    right = _points(survey, survey.rows(setup, role="backsight"))[0]
    wrong = rng.choice([p for p in _marks(survey) if p != right])
    return names.wrong_backsight(survey, setup, str(wrong))


def _plant_station(survey: Survey, rng: Rng) -> Survey:
    setup = _setup(survey, rng, occupied=True)
    station = survey.setups[survey.setup_number(setup)].station
    wrong = rng.choice([p for p in _marks(survey) if p != station])
    return names.station_name(survey, setup, str(wrong))


def _plant_other_name(survey: Survey, rng: Rng, *, similar: bool) -> Survey:
    setup = _setup(survey, rng)
    right = str(rng.choice(shared_marks(survey, setup)))
    if similar:
        return names.similar_name(survey, setup, right)
    return names.second_name(survey, setup, right, f"9{rng.integers(10, 99)}")


def _plant_kick(survey: Survey, rng: Rng) -> Survey:
    """Kick a mark in plan before a setup that sights it, after one that did."""
    seen = {
        mark: [s.label for s in survey.setups if len(survey.rows(s.label, mark))]
        for mark in _marks(survey)
        if mark in survey.points
    }
    mark = str(rng.choice([mark for mark, setups in seen.items() if len(setups) > 1]))
    since = str(rng.choice(seen[mark][1:]))
    bearing, size = rng.uniform(0.0, 2.0 * np.pi), rng.choice(KICK_STEPS)
    return moves.mark_moved(
        survey, mark, since, [size * np.cos(bearing), size * np.sin(bearing), 0.0]
    )


def _control_mark(survey: Survey, rng: Rng) -> str:
    if survey.control is None:
        raise ValueError("this mistake needs a control list")
    return str(rng.choice(survey.control.names))


def _plant_transposed(survey: Survey, rng: Rng) -> Survey:
    """Swap two digits between metres and centimetres, taking the first that differ."""
    mark, component = _control_mark(survey, rng), int(rng.integers(3))
    for place in rng.permutation([0, -1, 1]):
        try:
            return control.transposed_digits(survey, mark, component, int(place))
        except ValueError:
            continue
    return control.coordinate_typo(survey, mark, component, _signed(rng, TYPO_STEPS))


def _plant_cut(survey: Survey, rng: Rng) -> Survey:
    file = survey.files[-1]
    count = int(np.sum(survey.shots.file == len(survey.files) - 1))
    return files.truncated(survey, file, int(rng.integers(count // 2, count)))


def _plant_repeats(survey: Survey, rng: Rng) -> Survey:
    rows = survey.rows(_setup(survey, rng))
    return files.repeated_rows(survey, np.sort(rng.choice(rows, max(1, len(rows) // 10), False)))


def _plant_clock(survey: Survey, rng: Rng) -> Survey:
    rows = survey.rows(_setup(survey, rng))
    return files.clock_changed(survey, rows[len(rows) // 2 :], -3600.0)


def _whole(injector: Callable[..., Survey], survey: Survey, rng: Rng) -> Survey:
    """Plant a mistake of a whole setup that has no size."""
    return injector(survey, _setup(survey, rng))


def _sized(
    injector: Callable[..., Survey], steps: tuple[float, ...], survey: Survey, rng: Rng
) -> Survey:
    """Plant a mistake of a whole setup that has a size."""
    return injector(survey, _setup(survey, rng), _signed(rng, steps))


def _aimed(
    injector: Callable[..., Survey], steps: tuple[float, ...], survey: Survey, rng: Rng
) -> Survey:
    """Plant a mistake in one setup's rows to one shared mark."""
    return injector(survey, _mark_rows(survey, rng), _signed(rng, steps))


PLANTERS: dict[str, Planter] = {
    "direction": partial(_aimed, angles.false_direction, AIM_STEPS),
    "zenith": partial(_aimed, angles.false_zenith, AIM_STEPS),
    "distance": partial(_aimed, distances.false_distance, PRISM_STEPS),
    "target-height": partial(_aimed, heights.target_height, ROD_STEPS),
    "target-height-run": _plant_run,
    "instrument-height": lambda survey, rng: heights.instrument_height(
        survey, _setup(survey, rng, occupied=True), _signed(rng, HEIGHT_STEPS)
    ),
    "prism-constant": partial(_sized, distances.prism_constant, PRISM_STEPS),
    "distance-scale": partial(_sized, distances.distance_scale, SCALE_STEPS),
    "distance-unit": partial(_whole, distances.distance_unit),
    "point-name": _plant_name,
    "swapped-names": _plant_swap,
    "name-collision": lambda survey, rng: names.name_collision(
        survey, *reversed(_two_setups(survey, rng))
    ),
    "unrecognised-tie": partial(_plant_other_name, similar=False),
    "similar-names": partial(_plant_other_name, similar=True),
    "backsight": _plant_backsight,
    "station-name": _plant_station,
    "instrument-moved": lambda survey, rng: moves.instrument_turned(
        survey, _middle_row(survey, rng), _signed(rng, BUMP_STEPS)
    ),
    "instrument-settled": lambda survey, rng: moves.instrument_settled(
        survey, _middle_row(survey, rng), float(rng.choice(SETTLED_STEPS)), drift=False
    ),
    "instrument-settled-drift": lambda survey, rng: moves.instrument_settled(
        survey, _middle_row(survey, rng), float(rng.choice(SETTLED_STEPS)), drift=True
    ),
    "setup-reused": lambda survey, rng: names.setup_reused(survey, *_two_setups(survey, rng)),
    "mark-moved": _plant_kick,
    "control-coordinate": lambda survey, rng: control.coordinate_typo(
        survey, _control_mark(survey, rng), int(rng.integers(3)), _signed(rng, TYPO_STEPS)
    ),
    "control-transposed": _plant_transposed,
    "control-scale": lambda survey, rng: control.control_scale(survey, 400.0),
    "swapped-axes": lambda survey, rng: control.swapped_axes(survey),
    "face": lambda survey, rng: angles.face_flag(survey, _mark_rows(survey, rng)[:1]),
    "collimation": partial(_sized, angles.collimation, FAULT_STEPS),
    "vertical-index": partial(_sized, angles.vertical_index, FAULT_STEPS),
    "mirrored-circle": partial(_whole, angles.mirrored_circle),
    "angle-unit": partial(_whole, angles.packed_as_degrees),
    "vertical-angle-kind": partial(_whole, angles.elevation_as_zenith),
    "repeated-row": _plant_repeats,
    "truncated": _plant_cut,
    "time-order": _plant_clock,
    "no-closing-backsight": partial(_whole, files.no_closing_backsight),
}
"""One planter per mistake, by the kind of finding it should raise or kind and variant."""


def plant(survey: Survey, name: str, rng: Rng) -> Survey:
    """Plant one mistake of the given name (a key of `PLANTERS`) at random."""
    return PLANTERS[name](survey, rng)
