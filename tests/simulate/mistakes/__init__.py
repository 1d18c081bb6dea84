"""Injectors of field mistakes, one function each; every one records what it did.

Each takes a `Survey`, returns an altered one and appends a `Planted` record to its
``planted``. ``size`` is raw minus right. An injector that adds or removes rows moves the
line numbers in the records before it along.
"""

from tests.simulate.mistakes.angles import (
    collimation,
    elevation_as_zenith,
    face_flag,
    false_direction,
    false_zenith,
    mirrored_circle,
    packed_as_degrees,
    vertical_index,
)
from tests.simulate.mistakes.chance import PLANTERS, plant
from tests.simulate.mistakes.control import (
    control_scale,
    coordinate_typo,
    swapped_axes,
    transposed_digits,
)
from tests.simulate.mistakes.distances import (
    distance_scale,
    distance_unit,
    false_distance,
    prism_constant,
)
from tests.simulate.mistakes.files import (
    clock_changed,
    no_closing_backsight,
    repeated_rows,
    truncated,
    unreadable,
)
from tests.simulate.mistakes.heights import instrument_height, target_height
from tests.simulate.mistakes.moves import instrument_settled, instrument_turned, mark_moved
from tests.simulate.mistakes.names import (
    name_collision,
    point_name,
    second_name,
    setup_reused,
    similar_name,
    station_name,
    swapped_names,
    wrong_backsight,
)

__all__ = [
    "PLANTERS",
    "clock_changed",
    "collimation",
    "control_scale",
    "coordinate_typo",
    "distance_scale",
    "distance_unit",
    "elevation_as_zenith",
    "face_flag",
    "false_direction",
    "false_distance",
    "false_zenith",
    "instrument_height",
    "instrument_settled",
    "instrument_turned",
    "mark_moved",
    "mirrored_circle",
    "name_collision",
    "no_closing_backsight",
    "packed_as_degrees",
    "plant",
    "point_name",
    "prism_constant",
    "repeated_rows",
    "second_name",
    "setup_reused",
    "similar_name",
    "station_name",
    "swapped_axes",
    "swapped_names",
    "target_height",
    "transposed_digits",
    "truncated",
    "unreadable",
    "vertical_index",
    "wrong_backsight",
]
