"""A step in a string that no shot shares: a pole height of one of two setups, or a real edge.

Which of the two it is the readings of one line cannot tell: nothing is left out for it. How it is
found is in `tieup.diagnose.search.string_steps`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.basis.row_lines import some
from tieup.diagnose.kinds.kind import Kind
from tieup.model.finding import STRING_STEP
from tieup.model.observations import ZENITH
from tieup.model.settings import Tolerances
from tieup.units import length_word

EDGE = "real-edge"  # an edge of the ground: no mistake, but a cause of a step
FIRST = "pole first"  # in a mistake that takes a pole height for likelier than an edge


def likely_pole(mistake: Mistake) -> Mistake | None:
    """Return the pole height that accepting a step takes right, None where none stands out."""
    causes = [rival.cause for rival in mistake.rivals if rival.cause is not None]
    return causes[0] if causes and mistake.instead[0] == FIRST else None


class StringStepKind(Kind):
    """A step in a string, its causes as rivals in their order."""

    def stays_in(self, mistake: Mistake) -> bool:
        """Nothing is left out: nobody knows yet which shots."""
        return True

    def cured(self, case: Case, mistake: Mistake) -> Case:
        """Put the pole height right along the run that the step tells of, where one is likely."""
        pole = likely_pole(mistake)
        if pole is None:
            return case
        height = case.shots.target_height.copy()
        height[pole.rows] -= pole.size[0]
        return replace(case, shots=replace(case.shots, target_height=height))

    def beyond(self, mistake: Mistake, case: Case, limits: Tolerances) -> bool:
        """A step that a person keeps is an edge."""
        return False

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say where a string steps, what it may be, and the lines that settle it."""
        poles = [rival.cause for rival in mistake.rivals if rival.cause is not None]
        pole = likely_pole(mistake)
        told = poles if pole is None else [pole]
        first, second = (
            next(one.setup for one in poles if end in one.points) for end in mistake.points
        )
        start, end = mistake.points
        step = f"steps {'up' if mistake.magnitude > 0 else 'down'} {_size(mistake, phrases)}"
        guess = "the pole of these shots was booked " + " or ".join(
            f"too {'large' if one.size[0] > 0 else 'small'} by {one.setup}" for one in told
        )
        edge = "the ground has an edge there (a dropped kerb)"
        cures = [
            f"A pole height: {'accept, or ' if pole is not None else ''}"
            f"{' or '.join(_cures(told, phrases))}; look what else was shot with that pole.",
            "A real edge: keep it, and say what it is.",
        ]
        likely = (guess, edge)
        if mistake.rivals[0].kind == EDGE:
            likely, cures = (edge, guess), cures[::-1]
        return MistakeText(
            f"String {mistake.detail} {step} from {start} ({first}) to {end} ({second}), more than "
            f"its own run explains{_beside(mistake)}: {likely[0]}, or {likely[1]}",
            "no shot is shared to tell",
            f"Shoot {mistake.detail} at {start} or {end} from both {first} and {second}, pole "
            f"height read aloud: it {step}",
            " ".join(cures),
            ""
            if pole is None
            else f"the pole height of the {_shots(len(pole.rows))} of {pole.setup} along "
            f"{mistake.detail} is taken {_size(mistake, phrases)} "
            f"{'lower' if pole.size[0] > 0 else 'higher'}",
        )


STEP = StringStepKind(STRING_STEP, (ZENITH,), "m", says_rivals=True)


def _size(mistake: Mistake, phrases: Phrases) -> str:
    """Return the step to what it is known: 1 mm, or 0.01 ft."""
    value = abs(mistake.magnitude) / phrases.factor
    return f"{value:.{3 if phrases.unit == 'm' else 2}f} {length_word(phrases.unit)}"


def _beside(mistake: Mistake) -> str:
    """Say which strings beside it show the same."""
    names = mistake.instead[1:]
    if not names:
        return ""
    return f", and {some(names)} {'does' if len(names) == 1 else 'do'} the same"


def _cures(poles: Sequence[Mistake], phrases: Phrases) -> Iterator[str]:
    """Give the line for job.yaml that sets each pole right, where one height was booked."""
    for pole in poles:
        where = f'setup: "{pole.setup}", string: "{pole.detail}"'
        if pole.instead:
            right = f"{float(pole.instead[0]) / phrases.factor:.2f}"
            yield f'{{set: {{{where}, target_height: {right}}}, reason: "..."}}'
        else:
            much = f"{_size(pole, phrases)} {'lower' if pole.size[0] > 0 else 'higher'}"
            yield f"set target_height of its shots in {pole.setup} {much}"


def _shots(count: int) -> str:
    return "1 shot" if count == 1 else f"{count} shots"
