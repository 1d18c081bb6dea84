"""The crew lead's answer: per setup and per joint, does it tie, and what to shoot again."""

from __future__ import annotations

from dataclasses import dataclass

from tieup.model.settings import Tolerances
from tieup.sentences import clauses

TIED, FAILS, UNTESTED = "ties", "fails", "untested"
UNPROVED = "unproved"  # of setups and joints: nothing is known to be wrong, nor shown to be right


@dataclass(frozen=True)
class SiteVerdict:
    """The one answer to "does the site tie".

    ``word`` is ties, fails, or unproved: nothing is known to be wrong, and something is not shown
    to be right. ``reasons`` say in short phrases why it is not ties, the worst first, and how much
    is left to check. ``falls`` are the named checks of slopes that fail, ``untold`` those that
    the survey cannot tell; ``surfaces`` and ``untold_surfaces`` the same of the surfaces that are
    asked for. The site may tie all the same, but somebody must decide.
    """

    word: str
    reasons: tuple[str, ...] = ()
    falls: tuple[str, ...] = ()
    untold: tuple[str, ...] = ()
    surfaces: tuple[str, ...] = ()
    untold_surfaces: tuple[str, ...] = ()

    @property
    def status(self) -> int:
        """Return the exit status: 0 where the site ties, every fall and surface passes, else 1."""
        return int(self.word != TIED or bool(self.beside))

    @property
    def fails_beside(self) -> bool:
        """Return whether a fall or a surface fails, however well the site ties."""
        return bool(self.falls or self.surfaces)

    @property
    def beside(self) -> str:
        """Return how many falls and surfaces do not pass, empty where all do.

        >>> SiteVerdict(TIED, falls=("a", "b"), untold=("c",)).beside
        '2 falls fail, 1 fall cannot be told'
        >>> SiteVerdict(TIED, surfaces=("a",)).beside
        '1 surface fails'
        """
        counts = (
            ("fall", len(self.falls), len(self.untold)),
            ("surface", len(self.surfaces), len(self.untold_surfaces)),
        )
        parts = [
            text
            for noun, fail, untold in counts
            for text in (
                f"{fail:,} {noun}{'s fail' if fail > 1 else ' fails'}" if fail else "",
                f"{untold:,} {noun}{'s' if untold > 1 else ''} cannot be told" if untold else "",
            )
        ]
        return ", ".join(part for part in parts if part)

    @property
    def first_beside(self) -> str:
        """Return the first fall or surface that does not pass as a sentence, empty for none."""
        every = (*self.falls, *self.surfaces, *self.untold, *self.untold_surfaces)
        return next((f"{one}." for one in every), "")

    def why(self, most: int) -> str:
        """Return the first ``most`` reasons in a row, and how many more there are."""
        return clauses(self.reasons, most)


@dataclass(frozen=True)
class Promise:
    """Further shots and how far they get: from ``before`` to ``after`` (m) of a ``limit``.

    ``shots`` are (setup, point) in their order, empty where none helps; ``after`` is NaN where that
    was not worked out. ``setups`` are the setup or the two of a joint that are not proved yet,
    ``also`` names others that the same shots prove. ``part`` is plan or height. ``enough``: the
    place is proved then.
    """

    shots: tuple[tuple[str, str], ...]
    setups: tuple[str, ...]
    part: str
    before: float
    after: float
    limit: float
    enough: bool
    also: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Return what it is called on a screen: S1, or S1-S2."""
        return "-".join(self.setups)


@dataclass(frozen=True)
class Errand:
    """What to do at one place, the ``things`` that prove most first: one line of the to-do.

    >>> Errand("At S3", ("shoot CP5 again", "close on CP1")).said
    'At S3: shoot CP5 again; close on CP1'
    """

    place: str
    things: tuple[str, ...]

    @property
    def said(self) -> str:
        """Return the line."""
        return f"{self.place}: {'; '.join(self.things)}"


@dataclass(frozen=True)
class SetupAnswer:
    """One setup: its largest differences (m) against the rest of the site, NaN if untested.

    ``station`` is the mark it stands over, empty for a free station. ``plan_at``, ``height_at``
    name the marks of the largest differences, empty where the setup is off as a whole.
    ``height`` is positive where the setup puts things high. ``verdict`` is ties, fails or
    untested, ``words`` say it in short. ``in_plan``: it has no height, so only its place in plan is
    judged. ``unused``: what it shows beyond the limits is of shots that are left out.
    """

    setup: str
    station: str
    plan: float
    plan_at: str
    height: float
    height_at: str
    verdict: str
    words: str
    in_plan: bool = False
    unused: bool = False

    @property
    def judged(self) -> str:
        """Return the verdict as a screen says it."""
        return f"{self.verdict} in plan" if self.in_plan and self.verdict == TIED else self.verdict

    @property
    def name(self) -> str:
        """Return what the setup is called on a screen: S2 over CP3."""
        return f"{self.setup} over {self.station}" if self.station else self.setup


@dataclass(frozen=True)
class JointAnswer:
    """Two setups whose bays meet: the step between them (m), NaN if untested.

    Where only the marks that both have shot tell, it is the largest difference at those.
    ``height`` is positive where the second setup puts things higher than the first. ``far`` is
    the plan step (m) at ``far_at``, the farthest shot of the two. ``strings`` pass between them.
    """

    first: str
    second: str
    plan: float
    height: float
    far: float
    far_at: str
    strings: tuple[str, ...]
    verdict: str
    words: str

    @property
    def name(self) -> str:
        """Return what the joint is called on a screen: S1-S2."""
        return f"{self.first}-{self.second}"


def all_in_plan(answer: TieAnswer | None) -> bool:
    """Say whether a site has setups, and none of them a height."""
    return answer is not None and bool(answer.setups) and all(s.in_plan for s in answer.setups)


@dataclass(frozen=True)
class TieAnswer:
    """One screen.

    ``odd`` names the setup that is off, empty for none. ``todo`` is what to do, in the order
    in which a crew walks: the setup whose legs still stand first. ``holding``, ``failing``,
    ``unproved`` count the mark ties. ``doubt`` goes on behind ``odd``: what else it may be.
    ``lists`` names what a job without setups consists of.
    """

    title: str
    length_unit: str
    limits: Tolerances
    setups: tuple[SetupAnswer, ...]
    joints: tuple[JointAnswer, ...]
    odd: str
    todo: tuple[Errand, ...]
    holding: int
    failing: int
    unproved: int
    verdict: SiteVerdict
    doubt: str = ""
    lists: str = "levels"
