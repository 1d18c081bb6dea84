"""Rules as data: what they say, and what comes of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import random_site, simulate
from tests.simulate.mistakes import instrument_turned, no_closing_backsight
from tests.simulate.yards import fire_station
from tests.ties.evidence import gather
from tieup.config.files import rule_sets
from tieup.config.rule_sets import read_rules
from tieup.config.tolerances_section import read_class
from tieup.data import data_path
from tieup.errors import ConfigError
from tieup.geometry import ARC_SECOND
from tieup.model.rules import Limit, Rule, RuleSet
from tieup.model.settings import Precision
from tieup.reduce.measured import Measured
from tieup.ties.rule_checks import check_rule, check_rules, limit_at
from tieup.ties.rule_measures import MEASURES

COMMON = "common practice, no source"
# The published sets may hold only numbers that were read in a document; each says which.
PUBLISHED = {
    "alta-nsps-2021", "wac-332-130-090", "wac-332-130-090-city", "txdot-closures",
    "modot-control-check", "nysdot-tie-work", "act-urban-control", "nsw-g71",
}  # fmt: skip
TRADE = {"paving", "building-layout", "topographic", "control"}


def shipped(name: str) -> RuleSet:
    """Return a rule set that ships with the package."""
    return read_rules(rule_sets("rules")[name])


def _rule(**changes) -> Rule:
    warn, fail = Limit(1.0), Limit(2.0)
    return replace(Rule("r", "", "tie_plan", "mm", 1e-3, False, warn, fail, COMMON), **changes)


def _measured(values, subjects=None, distance=None, count=None, missing=(), reason=""):
    n = len(values)
    return Measured(
        np.array(values, dtype=float),
        tuple(subjects or [f"S{i}" for i in range(n)]),
        np.full(n, np.nan) if distance is None else np.array(distance, dtype=float),
        np.ones(n) if count is None else np.array(count, dtype=float),
        tuple(missing),
        reason,
    )


def test_every_set_is_sound_and_every_rule_has_a_source():
    """All shipped sets are read; trade habits say so, published ones name their document."""
    sets = rule_sets("rules")
    assert set(sets) == PUBLISHED | TRADE
    for name in sets:
        rules = shipped(name)
        assert rules.name == name and rules.use and rules.rules
        for rule in rules.rules:
            assert rule.measures in MEASURES
            assert rule.source
            assert (rule.source == COMMON) == (name in TRADE), rule.id


def test_everyday_limits_are_those_of_the_ties():
    """What a joint and a control mark may be off is one number, wherever it is held: 6 and 3 mm."""
    limits = read_class(data_path("configs") / "tolerances" / "paving.yaml")
    rules = {rule.id: rule for rule in shipped("paving").rules}
    for name in ("control", "joint"):
        assert rules[f"{name}-plan"].warn.value == pytest.approx(limits.horizontal, abs=1e-12)
        assert rules[f"{name}-height"].warn.value == pytest.approx(limits.elevation, abs=1e-12)
    assert not [rule.id for n in TRADE for rule in shipped(n).rules if rule.unit == "ft"]


def test_published_numbers_are_those_of_their_documents():
    """ALTA/NSPS 2 cm + 50 ppm; WAC 332-130-090 1:10,000 and 10 seconds, 1:5,000 and 30.

    Also Missouri's 0.04 and 0.01 ft, Texas's 1,500 ft and 1:10,000, the ACT's 150 m, New South
    Wales's 4 mm, New York's 3 mm + 3 ppm and one pair of positions.
    """

    def fail(name, id_):
        return next(r for r in shipped(name).rules if r.id == id_).fail

    precision = fail("alta-nsps-2021", "relative-positional-precision")
    assert precision.value == pytest.approx(0.020)
    assert precision.per_distance == pytest.approx(50e-6)
    assert fail("wac-332-130-090-city", "linear-closure").value == pytest.approx(1 / 10_000)
    assert fail("wac-332-130-090", "linear-closure").value == pytest.approx(1 / 5_000)
    for name, seconds in (("wac-332-130-090-city", 10), ("wac-332-130-090", 30)):
        limit = fail(name, "angular-closure")
        assert limit.value == pytest.approx(seconds * ARC_SECOND) and limit.per_root
    assert fail("modot-control-check", "control-plan").value == pytest.approx(0.04 * 0.3048)
    assert fail("modot-control-check", "control-height").value == pytest.approx(0.01 * 0.3048)
    assert fail("txdot-closures", "control-spacing").value == pytest.approx(1500 * 0.3048)
    assert fail("txdot-closures", "linear-closure").value == pytest.approx(1 / 10_000)
    assert fail("act-urban-control", "control-spacing").value == 150
    assert fail("nsw-g71", "local-uncertainty").value == pytest.approx(0.004)
    assert fail("nysdot-tie-work", "distance-constant").value == pytest.approx(0.003)
    assert fail("nysdot-tie-work", "distance-ppm").value == pytest.approx(3e-6)
    assert fail("nysdot-tie-work", "two-positions").value == 1


def test_angle_limits_are_seconds_or_millimetres_over_distance():
    """10 seconds or 2 mm: 10 seconds at 100 m, but 2 mm are 20.6 seconds at 20 m."""
    limit = Limit(10 * ARC_SECOND, over_distance=0.002)
    bound = limit_at(limit, _measured([0, 0], distance=[100.0, 20.0])) / ARC_SECOND
    assert np.abs(bound - [10.0, 20.6265]).max() < 1e-3


def test_limits_with_distance_and_with_stations():
    """2 cm + 50 ppm at 400 m is 4 cm; 10 seconds times the root of 9 stations is 30."""
    plus = limit_at(Limit(0.02, per_distance=50e-6), _measured([0], distance=[400.0]))
    assert plus[0] == pytest.approx(0.04)
    root = limit_at(Limit(10.0, per_root=True), _measured([0], count=[9]))
    assert root[0] == pytest.approx(30.0)


def test_states():
    """Pass, warn, fail by the worst; no data is never a pass, and a fail outweighs it."""
    state = lambda values, **more: check_rule(_rule(**more), _measured(values)).state  # noqa: E731
    assert state([0.5, -0.9]) == "pass"
    assert state([0.5, -1.5]) == "warn"
    assert state([0.5, -2.5]) == "fail"
    assert state([3.0, 1.5], at_least=True, warn=Limit(2.0), fail=Limit(1.0)) == "warn"
    nothing = check_rule(_rule(), _measured([], missing=["S1"], reason="no rows"))
    assert (nothing.state, nothing.reason, nothing.value) == ("not checked", "no rows", None)
    part = check_rule(_rule(), _measured([0.5], missing=["S9"], reason="no rows"))
    assert (part.state, part.reason) == ("not checked", "S9: no rows")
    both = check_rule(_rule(), _measured([0.5, 2.5], missing=["S9"], reason="no rows"))
    assert (both.state, both.failing) == ("fail", ("S1",))


def test_the_worst_is_worst_against_its_own_limit():
    """12 seconds at 100 m are worse than 30 at 10 m, where 2 mm are 41 seconds."""
    rule = _rule(warn=Limit(10 * ARC_SECOND, over_distance=0.002), fail=None, factor=ARC_SECOND)
    measured = _measured([12 * ARC_SECOND, 30 * ARC_SECOND], ["FAR", "NEAR"], [100.0, 10.0])
    result = check_rule(rule, measured)
    assert (result.state, result.subject, result.warned) == ("warn", "FAR", ("FAR",))


def test_the_yard_against_paving():
    """A clean day passes what it should, and says what it has not checked and why."""
    rng = np.random.default_rng(1)
    evidence = gather(simulate(fire_station(rng), Precision(), rng))
    results = {r.rule.id: r for r in check_rules(shipped("paving").rules, evidence)}
    for id_ in ("marks-sighted", "closing-direction", "backsight-height", "fit", "control-plan"):
        assert results[id_].state == "pass", id_
        assert results[id_].value is not None
    assert results["two-marks-in-line"].state == "not checked"
    assert results["drift-direction"].state == "not checked"
    assert "three looks" in results["drift-direction"].reason
    assert all(r.state != "pass" or not r.missing for r in results.values())


def test_a_knocked_setup_and_one_without_closing():
    """A turn of 60 seconds fails the closing rule by name; a missing closing is not a pass."""
    rng = np.random.default_rng(2)
    survey = simulate(random_site(rng, setups=4, side_shots=6), Precision(), rng)
    survey = instrument_turned(survey, int(survey.rows("S2", role="side")[0]), 60.0)
    survey = no_closing_backsight(survey, "S4")
    rules = shipped("paving").rules
    results = {r.rule.id: r for r in check_rules(rules, gather(survey))}
    assert results["closing-direction"].failing == ("S2 to CP1",)
    assert results["closing-direction"].missing == ("S4",)
    assert results["closing-shot"].failing == ("S4",)


def test_a_job_without_control_has_its_control_rules_unchecked():
    """No control: rules about control are not checked, with that reason."""
    rng = np.random.default_rng(3)
    site = random_site(rng, setups=3, ties=5, control="none", side_shots=4)
    evidence = gather(simulate(site, Precision(), rng))
    results = {r.rule.id: r for r in check_rules(shipped("control").rules, evidence)}
    for id_ in ("control-plan", "control-height", "control-both-faces"):
        assert results[id_].state == "not checked"
        assert "no control" in results[id_].reason


def test_every_measure_measures():
    """Each quantity gives values or a reason, never neither, with one subject to a value."""
    rng = np.random.default_rng(4)
    evidence = gather(simulate(fire_station(rng), Precision(), rng))
    for name, measure in MEASURES.items():
        found = measure(evidence)
        assert len(found.value) == len(found.subject) == len(found.distance), name
        assert len(found.value) or found.reason, name
        assert np.isfinite(found.value).all() or name.startswith("caught"), name
        assert not set(found.missing) & set(found.subject), name


def test_relative_ellipses_against_the_definition():
    """Semi-major axes from the joint covariance by an eigenvalue decomposition, at 95 %."""
    from tieup.adjust.cofactors import point_covariance

    rng = np.random.default_rng(5)
    site = random_site(rng, setups=4, ties=5, control="weighted", side_shots=0)
    evidence = gather(simulate(site, Precision(), rng))
    found = MEASURES["relative_ellipse"](evidence)
    for value, names, distance in list(
        zip(found.value, found.subject, found.distance, strict=True)
    )[:6]:
        pair = np.array([evidence.points.index(name) for name in names.split("-")])
        joint = point_covariance(evidence.adjustment, pair)[:, :2, :, :2]
        relative = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
        major = 2.4477 * np.sqrt(np.linalg.eigvalsh(relative)[-1])
        assert value == pytest.approx(major, rel=1e-4)
        offset = np.diff(evidence.adjustment.position[pair, :2], axis=0)[0]
        assert distance == pytest.approx(np.hypot(*offset))


def test_a_wrong_set_is_refused_with_its_lines(tmp_path):
    """All problems of a file at once, each with its line and what is known."""
    path = tmp_path / "mine.yaml"
    path.write_text(
        "name: mine\nuse: test\nrules:\n"
        "  - {id: a, says: x, measures: tie_plam, unit: mm, warn: 3, source: s}\n"
        "  - {id: a, says: x, measures: tie_plan, unit: mm, source: s}\n"
        "  - {id: b, says: x, measures: tie_plan, unit: mm, warn: {limit: -1}, source: s}\n",
        encoding="utf-8",
    )
    with pytest.raises(ConfigError) as caught:
        read_rules(path)
    text = str(caught.value)
    assert "mine.yaml:4" in text and "tie_plan" in text
    assert "mine.yaml:5" in text and "neither warn nor fail" in text
    assert "id a of another rule" in text
    assert "mine.yaml:6" in text
