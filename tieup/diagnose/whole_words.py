"""Words for mistakes in whole setups, the control list, names that clash, level runs and tapes."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tieup.diagnose.axes import WHOLE_LIST
from tieup.diagnose.misreadings import ALL, POLES
from tieup.diagnose.mistake import Mistake
from tieup.diagnose.rowlines import some
from tieup.diagnose.string_steps import step_words
from tieup.diagnose.words import Phrases, Text, too
from tieup.model.finding import STRING_STEP
from tieup.model.link_kinds import LEVEL, LINK_KINDS, LinkKind

LOOK = {
    "distance-unit": "Compare one distance with the tape or with the coordinates of two marks; "
    "look at the length unit set in the instrument and in the export.",
    "mirrored-circle": "Sketch any three marks of the setup: does their clockwise order agree with "
    "the readings? Look at the circle setting of the instrument.",
    "angle-unit": "Look at the export settings for angles: DDD.MMSS never shows minutes or seconds "
    "of 60 or more.",
    "vertical-angle-kind": "Look at the export settings: level is 90 degrees for zenith angles and "
    "0 for elevation angles.",
}


def _whose(mistake: Mistake) -> str:
    """Name the setups of a mistake: one, all of an instrument, all of the job."""
    if mistake.setup:
        return f"setup {mistake.setup}"
    return f"setups {some(mistake.instead[1:])}, all alike,"


def _others(mistake: Mistake) -> str:
    """Say which setups may as well be the ones misread."""
    rivals = [rival.setup for rival in mistake.rivals if rival.setup]
    if not rivals:
        return ""
    return (
        f". It may as well be setup {some(rivals)}, the other way round: no third setup and no "
        "control says which"
    )


def _misread(mistake: Mistake, phrases: Phrases) -> Text:
    """Say which convention the numbers of a setup follow."""
    out = "all its readings are" if mistake.kinds == ALL else "its distances are"
    if POLES in mistake.detail and mistake.kinds != ALL:
        out = "its distances and heights are"
    out = out if mistake.setup else out.replace("its", "their")
    return Text(
        f"The numbers of {_whose(mistake)} follow another convention than the job states: "
        f"{mistake.detail}. Read so, it joins the other setups; as stated it fits nowhere"
        f"{_others(mistake)}",
        f"{out} left out",
        LOOK[mistake.kind],
        f"Read the numbers as {mistake.instead[0]} (accept), or "
        + (
            "export the setup again in the units of the job."
            if mistake.setup
            else "correct units: and columns: in job.yaml."
        ),
        f"the numbers are read as {mistake.instead[0]}",
    )


def _axes(mistake: Mistake, phrases: Phrases) -> Text:
    """Say that northing and easting are in each other's column."""
    if mistake.detail == WHOLE_LIST:
        return Text(
            "The whole control list is the mirror image of the site: northing and easting stand in "
            "each other's column. All circles read anticlockwise would look the same",
            "the site is solved by itself; its coordinates are not those of control",
            "Compare control.csv with the original sheet; sketch three marks and their clockwise "
            "order.",
            "Exchange the two columns in control.csv (accept).",
            "the two columns are exchanged",
        )
    return Text(
        f"Northing and easting of {some(mistake.points)} stand in each other's column of the "
        "control list; exchanged they fit the site",
        "the given values are left out",
        "Compare control.csv with the original sheet.",
        f"Exchange northing and easting of {some(mistake.points)} in control.csv (accept).",
        "northing and easting are exchanged",
    )


def _collision(mistake: Mistake, phrases: Phrases) -> Text:
    """Say that names stand for two places."""
    names, many = some(mistake.points), len(mistake.points) > 1
    if mistake.detail == "within the setup":
        return Text(
            f"In setup {mistake.setup} {names} {'are' if many else 'is'} in two places more than "
            f"{phrases.length(0.5)} apart: a number used twice, or a wrong shot",
            f"they are kept apart as {some(mistake.instead)}, not averaged",
            "Compare the sketch and the codes of the shots.",
            "Keep them apart (accept), give the points numbers of their own (rename), or exclude "
            "the wrong shot.",
            "they stay apart",
        )
    other = mistake.detail.removeprefix("with ")
    return Text(
        f"{len(mistake.points)} {'names' if many else 'name'} of setup {mistake.setup} ({names}) "
        f"{'were' if many else 'was'} used before for other places, by {other}: numbers that began "
        "again",
        f"they are two points each and are written as name@setup ({mistake.instead[0]}"
        f"{' ...' if many else ''}), never averaged",
        "Compare codes and sketch; look at the numbering of the day.",
        "Keep them apart (accept), or give the points numbers of their own (rename).",
        "they stay apart",
    )


def _reused(mistake: Mistake, phrases: Phrases) -> Text:
    """Say that a label stands for two positions of the instrument."""
    return Text(
        f"Setup {mistake.setup} stands in two places: from some shot on its readings are those of "
        "an instrument that was moved without a new setup being begun",
        f"they are taken as a setup of their own, {mistake.instead[0]}, a free station",
        "Look in the field book for a second setup; look at the times between the shots.",
        "Keep the setup split (accept); give the second part a label of its own in the export.",
        "the setup stays split",
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


WHOLE_WORDS: Mapping[str, Callable[[Mistake, Phrases], Text]] = {
    "distance-unit": _misread,
    "mirrored-circle": _misread,
    "angle-unit": _misread,
    "vertical-angle-kind": _misread,
    "swapped-axes": _axes,
    "name-collision": _collision,
    "setup-reused": _reused,
    **dict.fromkeys(("level-sign", "level-metre", *LINK_KINDS), _run),
    STRING_STEP: step_words,
}
"""The text of each kind, beside those of `tieup.diagnose.words`."""
