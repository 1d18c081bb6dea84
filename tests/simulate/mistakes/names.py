"""Mistakes in names of points, stations and setups (B13, B23 to B26, B33, B34)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.simulate.mistakes.edit import recorded, renamed
from tests.simulate.survey import Survey, rearranged, with_shots


def point_name(survey: Survey, setup: str, right: str, wrong: str) -> Survey:
    """Book a setup's shots of ``right`` under the name of another point, ``wrong``."""
    return _renamed_in(survey, "point-name", setup, right, wrong)


def second_name(survey: Survey, setup: str, right: str, new: str) -> Survey:
    """Book a shared mark under a name that nobody else uses: its tie is not recognised."""
    return _renamed_in(survey, "unrecognised-tie", setup, right, new)


def similar_name(survey: Survey, setup: str, right: str) -> Survey:
    """Book CP3 as CP-3 in one setup."""
    letters = right.rstrip("0123456789")
    return _renamed_in(survey, "similar-names", setup, right, f"{letters}-{right[len(letters) :]}")


def _renamed_in(survey: Survey, kind: str, setup: str, right: str, wrong: str) -> Survey:
    rows = survey.rows(setup, right)
    altered = renamed(survey, dict.fromkeys(rows.tolist(), wrong))
    return recorded(altered, kind, rows, setup=setup, points=(wrong, right))


def swapped_names(survey: Survey, setup: str, one: str, other: str) -> Survey:
    """Book two points of a setup under each other's name."""
    first, second = survey.rows(setup, one), survey.rows(setup, other)
    names = dict.fromkeys(first.tolist(), other) | dict.fromkeys(second.tolist(), one)
    rows = np.sort(np.concatenate([first, second]))
    return recorded(renamed(survey, names), "swapped-names", rows, setup=setup, points=(one, other))


def wrong_backsight(survey: Survey, setup: str, wrong: str) -> Survey:
    """Orient a setup on another mark than the one booked: opening and closing say ``wrong``."""
    right = survey.points[survey.shots.point[survey.rows(setup, role="backsight")[0]]]
    rows = survey.rows(setup, right)
    altered = renamed(survey, dict.fromkeys(rows.tolist(), wrong))
    return recorded(altered, "backsight", rows, setup=setup, points=(wrong, right))


def station_name(survey: Survey, setup: str, wrong: str) -> Survey:
    """Book another mark as the one the instrument stands over."""
    number = survey.setup_number(setup)
    right = survey.setups[number].station
    setups = list(survey.setups)
    setups[number] = replace(setups[number], station=wrong)
    altered = replace(survey, setups=tuple(setups))
    return recorded(altered, "station-name", survey.rows(setup), setup=setup, points=(wrong, right))


def name_collision(survey: Survey, setup: str, other: str) -> Survey:
    """Let the side shots of ``setup`` be numbered as those of ``other`` were."""
    rows, taken = survey.rows(setup, role="side"), survey.rows(other, role="side")
    n = min(len(rows), len(taken))
    used = [survey.points[i] for i in survey.shots.point[taken[:n]]]
    altered = renamed(survey, dict(zip(rows[:n].tolist(), used, strict=True)))
    return recorded(
        altered, "name-collision", rows[:n], setup=setup, points=tuple(dict.fromkeys(used))
    )


def setup_reused(survey: Survey, setup: str, again: str) -> Survey:
    """Go on under the label of ``setup``, in its file, after moving the instrument.

    The rows of ``again`` follow those of ``setup`` and carry its station and height.
    """
    first, second = survey.setup_number(setup), survey.setup_number(again)
    shots = survey.shots
    moved = shots.setup == second
    file = np.where(moved, shots.file[survey.rows(setup)[0]], shots.file)
    # a place in the order straight after the rows of the first setup, whichever comes first
    place = np.arange(len(survey), dtype=float)
    place[moved] = survey.rows(setup)[-1] + (place[moved] + 1.0) / (len(survey) + 2.0)
    altered = with_shots(survey, file=file, setup=np.where(moved, first, shots.setup))
    order = np.argsort(place, kind="stable")
    altered = rearranged(altered, order)
    rows = np.flatnonzero(moved[order][np.argsort(file[order], kind="stable")])
    return recorded(altered, "setup-reused", rows, setup=setup)
