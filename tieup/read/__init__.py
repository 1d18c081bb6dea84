"""Read raw tables, control lists and lists of levels and tapes into the model."""

from tieup.read.control_reader import read_control
from tieup.read.fieldbook_reader import read_fieldbook
from tieup.read.links_reader import number_links, read_booked_links, read_levels, read_tapes

__all__ = [
    "number_links",
    "read_booked_links",
    "read_control",
    "read_fieldbook",
    "read_levels",
    "read_tapes",
]
