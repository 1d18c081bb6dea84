"""Read raw tables, control lists and lists of levels and tapes into the model."""

from tieup.read.control import read_control
from tieup.read.fieldbook import read_fieldbook
from tieup.read.links import number_links, read_booked_links, read_levels, read_tapes
from tieup.read.tables import file_sha256

__all__ = [
    "file_sha256",
    "number_links",
    "read_booked_links",
    "read_control",
    "read_fieldbook",
    "read_levels",
    "read_tapes",
]
