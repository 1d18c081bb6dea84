"""Say a mistake in the trade's words: what is wrong, how to confirm it, how to cure it.

One entry a kind. Numbers are in the job's unit; angles in arc seconds with what they
amount to at the mark are for the office, the first sentence is for the crew.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tieup.diagnose.mistake import Mistake
from tieup.geometry import ARC_SECOND
from tieup.model.link_kinds import LEVEL, LINK_KINDS, LinkKind
from tieup.model.observations import DISTANCE
from tieup.units import length_word

SURE = 3.3  # sds from which a constant of the job is more than chance, at 0.1 %


@dataclass(frozen=True)
class Text:
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
    """How to print numbers of one job: ``factor`` is metres in its length unit."""

    factor: float
    unit: str

    def length(self, metres: float) -> str:
        """Return a length without sign, to a tenth of a millimetre or 0.001 ft."""
        value = abs(metres) / self.factor
        return f"{value:.{4 if self.unit == 'm' else 3}f} {length_word(self.unit)}"

    def shift(self, metres: float) -> str:
        """Return a small length: in mm on a metric job."""
        if self.unit == "m" and abs(metres) < 0.1:
            return f"{abs(metres) * 1000:.1f} mm"
        return self.length(metres)

    def angle(self, radians: float) -> str:
        """Return an angle without sign: seconds, minutes or degrees."""
        seconds = abs(radians) / ARC_SECOND
        if seconds < 600:
            return f"{seconds:.0f} seconds"
        return f"{seconds / 3600:.4f} degrees"

    def vector(self, mistake: Mistake) -> str:
        """Return a shift in N, E, H with signs."""
        letters = mistake.detail if set(mistake.detail) <= set("NEH") and mistake.detail else "NEH"
        parts = [
            f"{letter} {'+' if value >= 0 else '-'}{self.shift(value)}"
            for letter, value in zip(letters, mistake.size, strict=False)
        ]
        return ", ".join(parts)


def too(mistake: Mistake, more: str, less: str) -> str:
    """Return the word for the sign of the size: raw minus right."""
    return more if mistake.magnitude > 0 else less


def _at(mistake: Mistake) -> str:
    return " and ".join(mistake.points)


def _first(mistake: Mistake) -> str:
    return mistake.points[0] if mistake.points else "a mark"


def _used(mistake: Mistake) -> str:
    return f"of setup {mistake.setup}" if mistake.setup else "of this job"


def _where(mistake: Mistake) -> str:
    names = ", ".join(mistake.points[:6]) + (" ..." if len(mistake.points) > 6 else "")
    return f"in setup {mistake.setup}" if not names else f"in setup {mistake.setup} to {names}"


def _target_height(m: Mistake, p: Phrases) -> Text:
    run = len(m.points) > 1
    what = (
        f"the pole height of the shots from {m.points[0]} to {m.points[-1]}"
        if run
        else (f"the pole height of the shot to {m.points[0]}")
    )
    also = " and distances" if DISTANCE in m.kinds else ""
    return Text(
        f"In setup {m.setup} {what} was booked {p.length(m.magnitude)} "
        f"too {too(m, 'large', 'small')}",
        f"the heights{also} are left out",
        f"From {m.setup} shoot {_first(m)} again and read the pole height aloud; look up the "
        "pole height in the field book.",
        f"Set the pole height {p.length(m.magnitude)} {too(m, 'lower', 'higher')} "
        "(accept), or leave the heights out (exclude).",
        f"the pole height is taken {p.length(m.magnitude)} {too(m, 'lower', 'higher')} and the "
        "shots are used",
    )


def _instrument_height(m: Mistake, p: Phrases) -> Text:
    return Text(
        f"The instrument height of setup {m.setup} over {_at(m)} was booked "
        f"{p.length(m.magnitude)} too {too(m, 'large', 'small')}",
        "it is left out and the setup takes its height from its sights",
        f"Measure the instrument height again, or shoot a benchmark from over {_at(m)}.",
        f"Set the instrument height {p.length(m.magnitude)} {too(m, 'lower', 'higher')} (accept).",
        f"the instrument height is taken {p.length(m.magnitude)} {too(m, 'lower', 'higher')}",
    )


def _station(m: Mistake, p: Phrases) -> Text:
    if m.instead:
        says = f"Setup {m.setup} did not stand over {_at(m)} but over {m.instead[0]}"
    else:
        says = f"Setup {m.setup} stood {p.shift(m.magnitude)} away from {_at(m)}"
    return Text(
        says,
        "it is taken as a free station",
        f"Look at the mark under the instrument of {m.setup}; compare the field sketch.",
        f"Correct the station name to {m.instead[0]} (accept)."
        if m.instead
        else "Keep it a free station (accept), or name the right mark (set: station).",
        f"it stands over {m.instead[0]}" if m.instead else "it stays a free station",
    )


def _reading(m: Mistake, p: Phrases) -> Text:
    if m.unit == "m":
        size, side = p.shift(m.magnitude), too(m, "long", "short")
    else:
        size, side = p.angle(m.magnitude), too(m, "large", "small")
    cause = {
        "direction": "a wrong pointing, or the pole not plumb",
        "zenith": "a wrong pointing at height, or a wrong pole height",
        "distance": "another surface, an edge or another prism hit",
    }[m.kind]
    return Text(
        f"The {m.kind} {_where(m)} is {size} too {side}, likely {cause}",
        "it is left out",
        f"From {m.setup} or another setup shoot {_at(m)} again, both faces.",
        "Leave the reading out (accept), or shoot again.",
        "the reading stays left out",
    )


def _constant(m: Mistake, p: Phrases) -> Text:
    if not m.setup and not m.detail:
        return _job_constant(m, p)
    whose = f"of setup {m.setup}" if m.setup else "of the whole job"
    prism = f" to the target {m.detail}" if m.detail else ""
    return Text(
        f"All distances {whose}{prism} are {p.shift(m.magnitude)} too {too(m, 'long', 'short')}, "
        "whatever their length: a wrong prism constant",
        "they are left out" if m.setup else "they are left in",
        f"Measure a known short line with the prism {_used(m)}; compare the prism set in the "
        "instrument with the one on the pole.",
        f"Add {'-' if m.magnitude > 0 else '+'}{p.shift(m.magnitude)} to these distances (accept).",
        f"{'-' if m.magnitude > 0 else '+'}{p.shift(m.magnitude)} is added to these distances",
    )


def _job_constant(m: Mistake, p: Phrases) -> Text:
    """Say what all distances ask for and how well they know it."""
    change = f"{'-' if m.magnitude > 0 else '+'}{p.shift(m.magnitude)}"
    sure = "" if m.statistic > SURE else ", so it may be chance"
    return Text(
        f"All distances of the job ask for a constant of {change}, give or take "
        f"{p.shift(m.sd)}{sure}: a prism constant set wrong would show like this",
        "it is left in",
        f"Measure a known short line with the prism {_used(m)}; compare the prism set in the "
        "instrument with the one on the pole.",
        f"Add {change} to all distances (accept) if the known line says so too.",
        f"{change} is added to all distances",
    )


def _scale(m: Mistake, p: Phrases) -> Text:
    whose = f"of setup {m.setup}" if m.setup else "of the whole job"
    return Text(
        f"The distances {whose} are too {too(m, 'long', 'short')} by "
        f"{abs(m.magnitude) * 1e6:.0f} mm per km: weather correction or a grid factor in the "
        "instrument",
        "they are left out" if m.setup else "they are left in",
        f"Look at the scale factor and the weather set in the instrument {_used(m)}; measure a "
        "known line.",
        "Correct the setting and take the factor off these distances (accept).",
        "the factor is taken off these distances",
    )


def _moved(m: Mistake, p: Phrases) -> Text:
    size = p.angle(m.magnitude) if m.unit == "rad" else p.shift(m.magnitude)
    return Text(
        f"The instrument of setup {m.setup} was knocked during the setup: what was shot later is "
        f"turned or shifted by {size}",
        "the later shots are taken as a setup of their own",
        f"From {m.setup} shoot the backsight and a second mark again; compare with the opening "
        "shots.",
        "Keep the setup split (accept), or shoot the later points again.",
        "the later shots stay a setup of their own",
    )


def _settled(m: Mistake, p: Phrases) -> Text:
    if m.unit == "rad":
        says = f"turned by {p.angle(m.magnitude)}"
    else:
        says = f"{too(m, 'sank', 'rose')} by {p.shift(m.magnitude)}"
    return Text(
        f"The instrument of setup {m.setup} {says} from its first shot to its last",
        "these readings are left out",
        f"From {m.setup} shoot the backsight again after half an hour; look at the tripod's feet.",
        "Leave these readings out (accept), or shoot this setup again on firm ground.",
        "these readings stay left out",
    )


def _mark_moved(m: Mistake, p: Phrases) -> Text:
    own = m.instead[0] if m.instead else ""
    return Text(
        f"Mark {m.points[0]} moved by {p.shift(m.magnitude)} ({p.vector(m)}) {m.detail} on",
        f"from then on it is a mark of its own, {own}",
        f"Look at {m.points[0]}; measure from it to two neighbours.",
        f"Do not use {m.points[0]} until it is re-set; leave the two places apart (accept).",
        f"{m.points[0]} and {own} stay two marks",
    )


def _control(m: Mistake, p: Phrases) -> Text:
    return Text(
        f"The control coordinates of {m.points[0]} do not fit the site: {p.vector(m)} given minus "
        "measured",
        "the given values are left out",
        f"Compare {m.points[0]} in control.csv with the original sheet, digit by digit; look at "
        "the mark.",
        f"Correct {m.points[0]} in control.csv, or leave it free (accept).",
        "the given values stay left out",
    )


def _name(m: Mistake, p: Phrases) -> Text:
    if m.instead:
        says = f"The shot {_where(m)} is on {m.instead[0]}, not on {_at(m)}"
    else:
        says = (
            f"The shot {_where(m)} is {p.shift(m.magnitude)} away from {_at(m)}: another target, "
            "a wrong name, or the pole beside the mark"
        )
    right = m.instead[0] if m.instead else ""
    return Text(
        says,
        "it is left out",
        f"From {m.setup} shoot {_at(m)} again; compare the field sketch.",
        f"Rename the shot to {right} (accept)." if right else "Leave the shot out (accept).",
        f"the shot is taken as one of {right}" if right else "the shot stays left out",
    )


def _swapped(m: Mistake, p: Phrases) -> Text:
    others = [r.setup for r in m.rivals if r.kind == m.kind and not r.separable]
    setups = " or ".join(dict.fromkeys([m.setup, *others]))
    doubt = ": the readings cannot tell in which" if setups != m.setup else ""
    only = f", if it was in {m.setup}" if doubt else ""
    return Text(
        f"In setup {setups} the names {_at(m)} were swapped{doubt}",
        f"both shots of {m.setup} are left out" if doubt else "both shots are left out",
        f"From {setups} shoot {' or '.join(m.points)} again; compare the field sketch.",
        f"Swap the two names (accept){only}.",
        "the two names are exchanged and both shots are used",
    )


def _face(m: Mistake, p: Phrases) -> Text:
    return Text(
        f"The direction {_where(m)} is half a circle off: the other face",
        "it is left out",
        f"Look at the zenith angle of the row {_where(m)}: over 180 degrees is face 2.",
        "Leave it out (accept), or correct the face of the row (set: face).",
        "the direction stays left out",
    )


def _index(m: Mistake, p: Phrases) -> Text:
    whose = f"of setup {m.setup}" if m.setup else "of the whole job"
    return Text(
        f"The zenith angles {whose} are {p.angle(m.magnitude)} too {too(m, 'large', 'small')}: "
        "the vertical index of the instrument, not measured out by a second face",
        "they are left in",
        f"Shoot one mark in both faces with the instrument {_used(m)}; the zenith angles should "
        "sum to 360 degrees.",
        "Take it off these zenith angles (accept); adjust the instrument; shoot control in both "
        "faces.",
        "it is taken off these zenith angles",
    )


def _run(m: Mistake, p: Phrases) -> Text:
    which = f"from {m.points[0]} to {m.points[1]}" + (f" ({m.detail})" if m.detail else "")
    again = LEVEL.again.format(which=which)
    if m.kind == "level-sign":
        return Text(
            f"The level run {which} has the wrong sign, or its two marks are exchanged",
            "it is left out",
            "Look in the level book which mark is the higher one.",
            "Turn the sign of the run round (accept), or level it again.",
            "the sign of the run is turned round and it is used",
        )
    if m.kind == "level-metre":
        return Text(
            f"The level run {which} is {p.length(m.magnitude)} too {too(m, 'high', 'low')}: whole "
            "units of the rod misread",
            "it is left out",
            f"Look up the rod readings in the level book. {again}",
            "Take the whole units off the run (accept), or level it again.",
            "the whole units are taken off the run and it is used",
        )
    kind = LINK_KINDS[m.kind]
    return Text(
        f"The {kind.noun} {which} {_off(m, p, kind)}{kind.likely}",
        "it is left out",
        kind.again.format(which=which),
        kind.cure,
        "it stays left out",
    )


def _off(m: Mistake, p: Phrases, kind: LinkKind) -> str:
    """Say by how much a run, tape or baseline is off, where that is known."""
    if not len(m.size):
        return "does not fit the rest"
    if len(m.size) > 1:
        return f"is off by {p.shift(m.magnitude)} ({p.vector(m)})"
    return f"is {p.shift(m.magnitude)} too {too(m, kind.more, kind.less)}"


WORDS: dict[str, Callable[[Mistake, Phrases], Text]] = {
    "target-height": _target_height,
    "instrument-height": _instrument_height,
    "station-name": _station,
    "direction": _reading,
    "zenith": _reading,
    "distance": _reading,
    "prism-constant": _constant,
    "distance-scale": _scale,
    "instrument-moved": _moved,
    "instrument-settled": _settled,
    "mark-moved": _mark_moved,
    "control-coordinate": _control,
    "point-name": _name,
    "backsight": _name,
    "swapped-names": _swapped,
    "face": _face,
    "vertical-index": _index,
    **dict.fromkeys(("level-sign", "level-metre", *LINK_KINDS), _run),
}


def words(mistake: Mistake, phrases: Phrases) -> Text:
    """Return the text of a mistake."""
    return WORDS[mistake.kind](mistake, phrases)
