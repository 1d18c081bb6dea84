"""One name for two places: numbers that began again, or one used twice within a setup."""

from __future__ import annotations

from dataclasses import replace

from tieup.diagnose.basis.case import Case
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.basis.row_lines import some
from tieup.diagnose.kinds.kind import Kind

APART = 0.5  # m in plan; rows of one name further apart than this are two points
WITHIN, WITH = "within the setup", "with "  # details: one setup's numbers, or those of others


class NameCollision(Kind):
    """A name that stands for two points, which are kept apart under names of their own."""

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Take the rows as one point again."""
        point = case.shots.point.copy()
        point[mistake.rows] = original.shots.point[mistake.rows]
        named = replace(case, shots=replace(case.shots, point=point))
        return named.without_names(mistake.instead)

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say that names stand for two places."""
        names, many = some(mistake.points), len(mistake.points) > 1
        if mistake.detail == WITHIN:
            return MistakeText(
                f"In setup {mistake.setup} {names} {'are' if many else 'is'} in two places more "
                f"than {phrases.length(APART)} apart: a number used twice, or a wrong shot",
                f"they are kept apart as {some(mistake.instead)}, not averaged",
                "Compare the sketch and the codes of the shots.",
                "Keep them apart (accept), give the points numbers of their own (rename), or "
                "exclude the wrong shot.",
                "they stay apart",
            )
        other = mistake.detail.removeprefix(WITH)
        return MistakeText(
            f"{len(mistake.points)} {'names' if many else 'name'} of setup {mistake.setup} "
            f"({names}) {'were' if many else 'was'} used before for other places, by {other}: "
            "numbers that began again",
            "they are two points each and are written as name@setup "
            f"({mistake.instead[0]}{' ...' if many else ''}), never averaged",
            "Compare codes and sketch; look at the numbering of the day.",
            "Keep them apart (accept), or give the points numbers of their own (rename).",
            "they stay apart",
        )


NAME_COLLISION = NameCollision("name-collision", (), "m", action="kept apart")
