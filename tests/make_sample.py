"""Write sample_raw/ and the truth behind it: ``python -m tests.make_sample`` at the root.

The same bytes every time; a test compares the committed files with a fresh run.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path

import numpy as np

from tests.simulate import Planted, Survey, drill_yard, simulate, write_job
from tests.simulate.mistakes import (
    mark_moved,
    repeated_rows,
    swapped_names,
    target_height,
    unreadable,
)
from tests.simulate.yards import fire_station, loading_dock
from tieup.model.settings import Precision

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_raw"
TRUTH = ROOT / "tests" / "simulate" / "sample_truth.json"
SEED = 1  # the first there is, not a chosen one: tests/bench/sample_seeds.py tries a hundred
TITLES = {
    "fire_station": "Fire station yard",
    "fire_station_clean": "Fire station yard, without mistakes",
    "two_setups": "Loading dock, two setups",
    "drill_yard": "Drill yard, for grading",
}
# What job.yaml works out of the adjusted marks of the yard.
DERIVED = """\
derived:   # recomputed at every run; bearings clockwise from north, grades in per cent
  - {point: SLAB-SW, intersect: [["128", "139"], ["529", "535"]]}   # corner of the slab
  - {point: HYDRANT, from: T7, bearing: 75-30-00, distance: 3.2, grade: 1.5}   # behind a wall
  - {point: LID-RIM, from: T6, elevation: 112.332, by: office, reason: "rim set to plan"}
  - {string: SUMP-W, offset: SUMP, distance: 0.3, grade: 2}   # collar of the sump, right of it
"""
# The slopes of the yard that job.yaml asks for; all of them pass where nothing is wrong.
FALLS = """\
falls:   # per cent, positive where it falls; pass, fail or cannot tell at the confidence
  - {name: apron to trench drain, from: JOINT, to: TRENCH, minimum: 1, maximum: 2}
  - {name: trench drain, along: TRENCH, minimum: 0}
  - {name: nail to trench drain, from: T2, to: TRENCH, minimum: 1}
  - {name: slab to gate, from: SLAB-SW, to: T3, minimum: 0.3, maximum: 5}
"""
WORKED_OUT = dict.fromkeys(("fire_station", "fire_station_clean"), DERIVED + FALLS)
WORKED_OUT["drill_yard"] = drill_yard.JOB
KICK = (0.014, -0.011, -0.004)  # N, E, H in m: a plough catches CP8 over lunch

README = """\
# Sample jobs

Invented from end to end: the sites, the names, the numbers. `python -m tests.make_sample`
writes this folder, the same bytes every time; the true coordinates of every point stand in
`tests/simulate/sample_truth.json`.

| job | what it is |
|---|---|
| `fire_station` | a day in five setups, with a few field mistakes |
| `fire_station_clean` | the same day, the same random errors, without the mistakes |
| `two_setups` | the smallest useful job: two setups, four control marks, feet |
| `drill_yard` | the drill yard, shot for grading the next day: a surface, and does it drain |

## The fire-station yard

The engine house stands in the middle of the yard: front apron to the south, access lane to
the east, drill yard to the north, wash bay to the west. The pavement falls 1.4 % away from
the house to a ring of drains 22.5 m out and rises again beyond. No setup sees the whole yard.

| setup | where | stands over | sees |
|---|---|---|---|
| S1 | front apron | nothing (free station) | CP1 CP2 CP3 CP8 T1 T2 T3 T4 T5 T12 |
| S2 | south-east corner | CP3 | CP2 CP4 CP5 T2 T4 T5 T6 T7 |
| S3 | drill yard, east | nothing | CP3 CP4 CP5 CP6 T6 T7 T8 T9 |
| S4 | drill yard, west | T9, a nail without coordinates | CP1 CP6 CP7 CP8 T7 T8 T10 T11 T12 |
| S5 | wash bay | nothing | CP1 CP2 CP7 CP8 T1 T3 T9 T10 T11 T12 |

CP1 to CP8 are control, known to 1 mm in each coordinate. T1 to T12 are ties on hard points:
nails, bolts, lid rims, curb noses. W1 to W10 are work points that two neighbouring setups shot,
where a string crosses from one to the other. All marks were shot in two faces with the pole at
1.600 m, the {side} side shots in one face with the pole at 1.500 m. Strings run along the curbs
(CURB-S, -E, -N, -W), the apron joint (JOINT), the lane joint (LANE), the trench drain (TRENCH),
the valley of the drill yard (VALLEY), the wash bay and its sump (WASH, SUMP) and the slab edges
(SLAB-S, -N, -W); lids and pavement spots stand alone. Each setup opens on its backsight and
closes on it. A slab corner, a hydrant behind a wall, a lid with a typed elevation and the collar of
the sump are derived of what was shot (`derived:` in job.yaml); four slopes to the trench drain
and the gate are held against limits (`falls:`).

Random errors, 1 sd, as job.yaml states them: 2" for a direction or a zenith angle in one face,
1.5 mm + 2 ppm, centring 0.5 mm (instrument) and 1.0 mm (target), heights 1.0 mm. Written to
0.1" and 0.1 mm. The day is the first that is drawn, not one picked out of many.

## Mistakes planted in `fire_station`

{mistakes}

`size` is raw minus right.

## The loading dock

Two free stations share four control marks (held, sd 0) and two ties; each shoots ten points
along a dock edge. Angles in degrees-minutes-seconds, lengths in international feet. No mistakes.

## The drill yard

The yard north of the engine house, shot for the grading machine from two free stations: pavement
spots every 5 m, the edge all around (EDGE, closed), the high line (HIGH) between the inlets IN1
and IN2, the slab edge (SLAB). It falls 1.5 % to the nearer inlet. The foot of the wall is
projected from the slab at 2 %, a lid has a typed elevation. Two spots were laid too low, POND8 by 8
mm and POND2 by 2 mm. `tieup surface` says that water stands at POND8, 4.1 mm with an sd of 1.5 mm,
and that nobody can tell whether it does at POND2.
No mistakes.
"""

STORIES = {
    "target-height": "the pole was raised over a parked trailer, the entry stayed at 1.600 m",
    "swapped-names": "the two names were keyed the wrong way round",
    "mark-moved": "a plough caught the mark between S3 and S4: {vector} m in N, E, H",
    "repeated-row": "the row was exported twice",
    "invalid": "the zenith angle has 72 minutes: the row cannot be read",
}


def _clean() -> Survey:
    rng = np.random.default_rng(SEED)
    return simulate(fire_station(rng), Precision(), rng)


def _spoiled(survey: Survey) -> Survey:
    survey = repeated_rows(survey, survey.rows("S1", "110"))
    survey = target_height(survey, survey.rows("S3", "CP5"), -0.100)
    survey = swapped_names(survey, "S2", "T5", "T6")
    survey = mark_moved(survey, "CP8", "S4", KICK)
    return unreadable(survey, int(survey.rows("S5", "540")[0]), "zenith", "91-72-10.4")


def surveys() -> dict[str, Survey]:
    """Return the sample surveys by the name of their job."""
    rng = np.random.default_rng(SEED)
    dock = simulate(loading_dock(rng), Precision(), rng)
    rng = np.random.default_rng(SEED)
    yard = simulate(drill_yard.drill_yard(), Precision(), rng)
    return {
        "fire_station": _spoiled(_clean()),
        "fire_station_clean": _clean(),
        "two_setups": dock,
        "drill_yard": yard,
    }


def _told(planted: Planted) -> str:
    size = "" if planted.size is None else f"{planted.size:.3f} {planted.unit}"
    vector = ", ".join(f"{c:+.3f}" for c in planted.vector or ())
    cells = [
        planted.kind,
        planted.setup,
        " ".join(planted.points),
        " ".join(f"`{line}`" for line in planted.lines),
        size,
        STORIES[planted.kind].format(vector=vector),
    ]
    return f"| {' | '.join(cells)} |"


def _readme(clean: Survey, spoiled: Survey) -> str:
    head = "| kind | setup | points | lines | size | what happened |\n|---|---|---|---|---|---|\n"
    return README.format(
        side=len(clean.rows(role="side")),
        mistakes=head + "\n".join(_told(p) for p in spoiled.planted),
    )


def _truth(survey: Survey) -> str:
    """Return the true places of a site as JSON, one line per point or setup."""
    truth = survey.truth
    places = np.round(truth.position, 5).tolist()
    setups = [
        {"axis": axis, "orientation": zero}
        for axis, zero in zip(
            np.round(truth.axis, 5).tolist(),
            np.round(np.degrees(truth.orientation), 7).tolist(),
            strict=True,
        )
    ]
    points = _object(dict(zip(truth.points, places, strict=True)))
    stands = _object(dict(zip(truth.setups, setups, strict=True)))
    return f'{{"points": {points},\n"setups": {stands}}}'


def _object(entries: Mapping[str, object]) -> str:
    """Return a JSON object with one line per entry."""
    lines = (f"{json.dumps(key)}: {json.dumps(value)}" for key, value in entries.items())
    return "{\n" + ",\n".join(lines) + "\n}"


def _json(jobs: dict[str, Survey]) -> str:
    planted = {
        name: [asdict(p) | {"size": p.size and round(p.size, 6)} for p in survey.planted]
        for name, survey in jobs.items()
    }
    return (
        '{"about": "N, E, H in m, orientation in degrees; fire_station_clean has the truth of '
        'fire_station, whose CP8 stands here where it was before it was kicked",\n'
        f'"fire_station": {_truth(jobs["fire_station"])},\n'
        f'"two_setups": {_truth(jobs["two_setups"])},\n'
        f'"drill_yard": {_truth(jobs["drill_yard"])},\n'
        f'"planted": {_object(planted)}}}\n'
    )


def make(sample: Path, truth: Path) -> None:
    """Write the sample jobs, their README and the truth file."""
    jobs = surveys()
    for name, survey in jobs.items():
        write_job(
            sample / name,
            survey,
            title=TITLES[name],
            length="ft" if name == "two_setups" else "m",
            digits="field",
        )
        with (sample / name / "job.yaml").open("a", encoding="utf-8") as stream:
            stream.write(WORKED_OUT.get(name, ""))
    sample.mkdir(parents=True, exist_ok=True)
    readme = _readme(jobs["fire_station_clean"], jobs["fire_station"])
    (sample / "README.md").write_text(readme, encoding="utf-8")
    truth.write_text(_json(jobs), encoding="utf-8")


if __name__ == "__main__":
    make(SAMPLE, TRUTH)
