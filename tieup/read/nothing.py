"""What has no rows: the field book of levels and tapes alone, the empty table of a new job."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tieup.model.fieldbook import TEMPLATE, Fieldbook, Shots


def empty_fieldbook() -> Fieldbook:
    """Return a field book without files, setups or shots."""
    number, value = np.zeros(0, dtype=np.int64), np.zeros(0)
    text = np.zeros(0, dtype=object)
    shots = Shots(
        file=number,
        line=number,
        setup=number,
        point=number,
        direction=value,
        zenith=value,
        distance=value,
        target_height=value,
        face=number,
        round=number,
        prism_constant=value,
        temperature=value,
        pressure=value,
        time=value,
        role=text,
        target=text,
        code=text,
        string=text,
        note=text,
        field_coordinates=np.zeros((0, 3)),
        repeated=np.zeros(0, dtype=np.bool_),
    )
    return Fieldbook((), (), (), shots, (), {})


def is_empty_template(path: Path) -> bool:
    """Say whether a raw file is the table of a new job with no row below its header."""
    try:
        with path.open("rb") as stream:
            if stream.readline().strip() != TEMPLATE.encode("utf-8"):
                return False
            lines = [line for line in stream if line.strip() and not line.startswith(b"#")]
    except OSError:
        return False  # for the reader to say
    return len(lines) <= 1
