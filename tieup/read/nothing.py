"""The field book of a job without raw rows: level runs and tapes alone."""

from __future__ import annotations

import numpy as np

from tieup.model.fieldbook import Fieldbook, Shots


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
