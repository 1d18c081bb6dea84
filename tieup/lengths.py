"""How small lengths are said: in mm on a metric job, else in feet; heights with a side.

The one place that turns a length into words, for findings, screens and page. Every value comes
in the job's own length unit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tieup.units import length_factor, length_word

NEXT_TO = 1e-9  # of a length unit: as good as equal


@dataclass(frozen=True)
class Lengths:
    """How small lengths are said on one job.

    ``unit`` is the job's length unit; every value comes in it. ``whole`` rounds to the mm or the
    hundredth of a foot, for a crew; else to a tenth of a mm or a thousandth of a foot.
    """

    unit: str
    whole: bool = False

    @property
    def metric(self) -> bool:
        """Return whether the job is in metres."""
        return self.unit == "m"

    @property
    def name(self) -> str:
        """Return the unit of coordinates, which foot it is included."""
        return {"ft": "ft (international)", "ftUS": "ft (US survey)"}.get(self.unit, self.unit)

    @property
    def small(self) -> str:
        """Return the unit of small lengths."""
        return "mm" if self.metric else length_word(self.unit)

    def said(self, value: float) -> str:
        """Return a length without sign; empty where undefined.

        >>> fine, whole = Lengths("m"), Lengths("m", whole=True)
        >>> [fine.said(value) for value in (0.0034, 14.302, math.nan)]
        ['3.4 mm', '14.302 m', '']
        >>> whole.said(-0.0034), whole.said(14.302), Lengths("ft", whole=True).said(0.012)
        ('3 mm', '14.3 m', '0.01 ft')
        """
        if not math.isfinite(value):
            return ""
        size = abs(value)
        if not self.metric:
            return f"{size:.{2 if self.whole else 3}f} {length_word(self.unit)}"
        if size >= 1.0:
            return f"{size:.{1 if self.whole else 3}f} m"
        return f"{size * 1000:.{0 if self.whole else 1}f}".removesuffix(".0") + " mm"

    def beside(self, value: float, limit: float) -> str:
        """Return a length beside its ``limit``: rounding never takes it over the limit, or back.

        >>> whole = Lengths("m", whole=True)
        >>> [whole.beside(value, 0.006) for value in (0.0064, 0.0058, 0.0066, -0.00602)]
        ['6.4 mm', '6 mm', '7 mm', '6.1 mm']
        >>> whole.beside(0.00255, 0.0026), whole.beside(0.00245, 0.0024)
        ('2.6 mm', '2.5 mm')
        """
        beyond, fine = abs(value) > limit, Lengths(self.unit)
        for said in (self.said(value), fine.said(value)):
            if not said or (_read(said) > limit + NEXT_TO) == beyond:
                return said
        step = 1e-4 if self.metric else 1e-3
        away = math.ceil if beyond else math.floor
        return fine.said(away(round(abs(value) / step, 6)) * step)

    def some(self, value: float) -> str:
        """Return a length without sign; one that would print as nothing, and is some, as less.

        >>> [Lengths("m").some(value) for value in (0.0034, 0.00004, 0.0)]
        ['3.4 mm', 'under 0.1 mm', '0 mm']
        """
        said = self.said(value)
        if not said or value == 0.0 or float(said.split()[0]):
            return said
        places = 3 - self.whole  # of m in a tenth of a mm or a mm, of ft: the last one printed
        return f"under {self.said(10.0 ** -(places + 1 if self.metric else places))}"

    def height(self, value: float, limit: float = math.inf) -> str:
        """Return a height difference as a crew says it; what rounds to nothing has no side.

        Beside its ``limit``, where it has one.

        >>> Lengths("m").height(-0.012), Lengths("m").height(0.00001)
        ('12 mm low', '0 mm')
        """
        said = self.beside(value, limit)
        if not said or float(said.split()[0]) == 0.0:
            return said
        return f"{said} {'low' if value < 0 else 'high'}"

    def signed(self, values: Sequence[float]) -> list[str]:
        """Return lengths with their signs, all in the unit of the largest; nothing has no sign.

        >>> Lengths("m").signed([112.0, 0.0699, -0.00001]), Lengths("m").signed([-0.012, 0.0])
        (['+112.000 m', '+0.070 m', '0.000 m'], ['-12 mm', '0 mm'])
        """
        in_metres = self.metric and max(map(abs, values), default=0.0) >= 1.0
        said = [f"{abs(value):.3f} m" if in_metres else self.said(value) for value in values]
        return [
            f"{'-' if value < 0 else '+'}{text}" if text and float(text.split()[0]) else text
            for value, text in zip(values, said, strict=True)
        ]

    def limit(self, value: float) -> str:
        """Return a limit to three figures: a rounded one would let through or stop too much.

        >>> Lengths("m").limit(0.006), Lengths("m").limit(0.00225), Lengths("ft").limit(0.019685)
        ('6 mm', '2.25 mm', '0.0197 ft')
        """
        if self.metric and value < 1.0:
            return f"{1000.0 * value:.3g} mm"
        return f"{value:.3g} {length_word(self.unit)}"

    def limits(self, horizontal: float, elevation: float) -> tuple[str, str]:
        """Return the limits in plan and in height, which come in m, in words."""
        factor = length_factor(self.unit)
        return self.limit(horizontal / factor), self.limit(elevation / factor)

    def figures(self, values: Sequence[float]) -> list[str]:
        """Return differences for a table, in the small unit, without the unit."""
        factor, places = (1000.0, 1) if self.metric else (1.0, 4)
        return ["" if value != value else f"{value * factor:.{places}f}" for value in values]


def _read(said: str) -> float:
    """Return a length in words as a number in the length unit of its job."""
    number, _, unit = said.partition(" ")
    return float(number) * (1e-3 if unit == "mm" else 1.0)
