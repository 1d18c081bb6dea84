"""How a mistake is said: the four texts of each, numbers in the job's unit, and turns of phrase.

Angles in arc seconds with what they amount to at the mark are for the office, the first sentence
is for the crew. What is said of one kind of mistake stands with it, in `tieup.diagnose.kinds`.
"""

from __future__ import annotations

from dataclasses import dataclass

from tieup.diagnose.basis.mistake import Mistake
from tieup.geometry import ARC_SECOND
from tieup.lengths import Lengths
from tieup.units import length_factor, length_word


@dataclass(frozen=True)
class MistakeText:
    """What is wrong, what was done about it, how to confirm and how to cure it.

    ``done`` and ``applied`` (what accepting the cure does) are clauses; ``wrong`` ends without a
    full stop.
    """

    wrong: str
    done: str
    confirm: str
    cure: str
    applied: str

    @property
    def says(self) -> str:
        """Return what a finding says as long as nobody has decided about it."""
        return f"{self.wrong}; {self.done}." if self.done else f"{self.wrong}."


@dataclass(frozen=True)
class Phrases:
    """How to print numbers of one job, which come in m and radians: ``unit`` of its lengths."""

    unit: str

    @property
    def factor(self) -> float:
        """Return the metres in the job's unit."""
        return length_factor(self.unit)

    def length(self, metres: float) -> str:
        """Return a length without sign, to a tenth of a millimetre or 0.001 ft."""
        value = abs(metres) / self.factor
        return f"{value:.{4 if self.unit == 'm' else 3}f} {length_word(self.unit)}"

    def height(self, metres: float) -> str:
        """Return a booked height, to the millimetre or 0.001 ft where it has no finer part."""
        text = f"{metres / self.factor:.4f}"
        return f"{text.removesuffix('0')} {length_word(self.unit)}"

    def shift(self, metres: float) -> str:
        """Return a small length as screens and page say it: in mm on a metric job."""
        return Lengths(self.unit).said(metres / self.factor)

    def some(self, metres: float) -> str:
        """Return a small length; what would print as nothing, and is some, as "under 0.1 mm"."""
        return Lengths(self.unit).some(metres / self.factor)

    def angle(self, radians: float) -> str:
        """Return an angle without sign: in seconds, from ten minutes on as it is read off."""
        seconds = abs(radians) / ARC_SECOND
        return f"{seconds:.0f} seconds" if seconds < 600 else self.exact_angle(radians)

    def exact_angle(self, radians: float) -> str:
        r"""Return an angle without sign in degrees, minutes and seconds.

        >>> Phrases("m").exact_angle(-0.00096963)
        '0°03\'20"'
        """
        seconds = round(abs(radians) / ARC_SECOND)
        return f"{seconds // 3600}°{seconds // 60 % 60:02d}'{seconds % 60:02d}\""

    def vector(self, mistake: Mistake) -> str:
        """Return a shift in N, E, H with signs."""
        letters = mistake.detail if set(mistake.detail) <= set("NEH") and mistake.detail else "NEH"
        values = [value / self.factor for value in mistake.size[: len(letters)].tolist()]
        said = Lengths(self.unit).signed(values)
        return ", ".join(f"{letter} {text}" for letter, text in zip(letters, said, strict=False))


def too(mistake: Mistake, more: str, less: str) -> str:
    """Return the word for the sign of the size: raw minus right."""
    return more if mistake.magnitude > 0 else less


def at_marks(mistake: Mistake) -> str:
    """Return the names of its marks, joined."""
    return " and ".join(mistake.points)


def first_mark(mistake: Mistake) -> str:
    """Return its first mark, "a mark" where it has none."""
    return mistake.points[0] if mistake.points else "a mark"


def of_setup_or_job(mistake: Mistake) -> str:
    """Return whose instrument it is about."""
    return f"of setup {mistake.setup}" if mistake.setup else "of this job"


def from_setup(mistake: Mistake) -> str:
    """Return from where to where its sights go."""
    names = ", ".join(mistake.points[:6]) + (" ..." if len(mistake.points) > 6 else "")
    return f"in setup {mistake.setup}" if not names else f"from setup {mistake.setup} to {names}"
