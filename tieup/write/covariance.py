"""Write covariance.csv: a row for each coordinate, the lower triangle of the matrix behind it.

Numbers have all their digits: the file is read again as control, and nothing may be lost.
"""

from __future__ import annotations

from tieup.model.reconciliation import Covariance, Reconciliation
from tieup.write.tables import quoted_cell

NAME = "covariance.csv"


def covariance_text(site: Reconciliation) -> str:
    """Return covariance.csv."""
    return "" if site.covariance is None else text_of(site.covariance, site.job.length_unit)


def text_of(covariance: Covariance, unit: str) -> str:
    """Write a covariance in ``unit`` and its square."""
    size = len(covariance.points)
    lines = [",".join(["point,coordinate,value,unit", *(f"c{n + 1}" for n in range(size))])]
    columns = zip(
        covariance.points, covariance.coordinates, covariance.values.tolist(), strict=True
    )
    for row, (point, coordinate, value) in enumerate(columns):
        own = map(repr, covariance.matrix[row, : row + 1].tolist())
        empty = [""] * (size - row - 1)
        lines.append(",".join([quoted_cell(point), coordinate, repr(value), unit, *own, *empty]))
    return "\n".join(lines) + "\n"
