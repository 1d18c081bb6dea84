"""run.json and the facts of the first screen: what went in, how it was taken, how it fits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from tieup import __version__
from tieup.adjust.distributions import global_test, normal_critical, tau_critical
from tieup.adjust.pointings import PointingTests
from tieup.adjust.scatter import GROUPS, Scatter
from tieup.diagnose.decisions.edits import Decided
from tieup.model.link_kinds import of_kind
from tieup.model.reconciliation import Fit, Summary
from tieup.results.azimuth_turns import azimuth_turns
from tieup.results.levels_table import list_counts
from tieup.results.observations_table import row_fates, sigma0_of
from tieup.results.site import Site
from tieup.sentences import listed

FIT_ALPHA = 0.05
SINGLE_ALPHA = 0.001  # of one residual, as in Baarda (1968)


def fit_of(tests: PointingTests, iterations: int) -> Fit:
    """Return the global test of one fit (two-sided at 5 %)."""
    test = global_test(tests.weighted_sum, tests.dof, FIT_ALPHA)
    return Fit(
        dof=tests.dof,
        sigma0=test.sigma0,
        statistic=test.statistic,
        lower=test.lower,
        upper=test.upper,
        passed=test.passed,
        iterations=iterations,
    )


def summary_of(site: Site) -> Summary:
    """Return the facts of the first screen: how the readings fit what is stated of the gear."""
    fits = site.fits
    least = fit_of(fits.minimal, fits.iterations[0])
    held = None if fits.held is None else fit_of(fits.held, fits.iterations[1])
    return Summary(datum_words(site), least, held, row_fates(site))


def datum_words(site: Site) -> str:
    """Say what holds the frame."""
    case, datum = site.case, site.case.datum
    if datum.kind == "local" and datum.local is not None:
        return f"local, {datum.local.point} fixed, azimuth to {datum.local.toward}"
    if datum.kind == "free" or case.control is None:
        return "free: the site's own shape, laid on its marks as a whole"
    taking_part = set(case.points)
    used = [
        name
        for name, row, sd in zip(
            case.control.names, case.control.coordinates, case.control.sd, strict=True
        )
        if np.isfinite(row).any() and name in taking_part and np.isfinite(sd).any()
    ]
    return f"held to control {listed(used, 8)}"


def run_record(
    site: Site, summary: Summary, inputs: Mapping[str, str], scatter: Scatter | None
) -> dict[str, Any]:
    """Return run.json without the clock; ``inputs`` are sha256 by file name.

    ``scatter`` is how the readings scatter against what is stated.
    """
    held = summary.held or summary.minimal
    return {
        "version": __version__,
        "inputs": dict(inputs),
        "settings": site.job.resolved,
        "datum": summary.datum,
        "dof": held.dof,
        "sigma0": held.sigma0,
        "global_test": _test(held),
        "iterations": held.iterations,
        "scatter": _scatter(scatter),
        "minimal_fit": _whole(summary.minimal),
        "held_fit": _whole(summary.held) if summary.held else None,
        "single_tests": _single_tests(site.tests),
        "rank_defect": site.adjustment.defect,
        "azimuth_turns": azimuth_turns(site),
        "redundancy": _redundancy(site),
        "counts": {"rows": sum(summary.rows.values()), **summary.rows},
        "lists": list_counts(site),
        "surveyed": _surveyed(site),
        "raw_files": [
            {"name": file.name, "rows": file.rows, "sha256": file.sha256}
            for file in site.fieldbook.files
        ],
        "unknown_columns": {
            name: list(files) for name, files in site.fieldbook.unknown_columns.items()
        },
    }


def _scatter(scatter: Scatter | None) -> dict[str, Any]:
    """Return how many times more than stated each group scatters, and how well that is known."""
    if scatter is None:
        return {}
    sd = np.sqrt(np.diagonal(scatter.covariance)) / 2.0
    columns = (GROUPS, scatter.times, scatter.times * sd, scatter.redundancy)
    return {
        name: {"times": float(times), "sd": float(spread), "checks": float(checks)}
        for name, times, spread, checks in zip(*columns, strict=True)
    }


def _surveyed(site: Site) -> dict[str, str] | None:
    """Return when the first and the last shot were taken, None where no raw row has a time."""
    time = site.fieldbook.shots.time
    time = time[np.isfinite(time)]
    if not len(time):
        return None
    moments = np.array([time.min(), time.max()]).astype("datetime64[s]")
    first, last = np.datetime_as_string(moments).tolist()
    return {"first": first, "last": last}


def _test(fit: Fit) -> dict[str, Any]:
    return {
        "statistic": fit.statistic,
        "bounds": [fit.lower, fit.upper],
        "passed": fit.passed,
    }


def _single_tests(tests: PointingTests) -> dict[str, float]:
    """Return what w and tau of one reading stay within, but for one good one in a thousand."""
    return {
        "alpha": SINGLE_ALPHA,
        "w_limit": float(normal_critical(SINGLE_ALPHA / 2.0)),
        "tau_limit": float(tau_critical(SINGLE_ALPHA, tests.dof)),
        "sigma0": sigma0_of(tests),
    }


def _whole(fit: Fit) -> dict[str, Any]:
    return {"dof": fit.dof, "sigma0": fit.sigma0, "global_test": _test(fit)}


def _redundancy(site: Site) -> dict[str, float]:
    """Return how the degrees of freedom are shared; the parts sum to dof."""
    adjustment = site.adjustment
    plumb, problem = adjustment.connections.plumb, adjustment.problem
    shares = adjustment.link_redundancy
    vector = of_kind(problem.network.links.kind[problem.links], "is_vector")
    return {
        "readings": float(np.nansum(site.tests.redundancy)),
        "centring and instrument heights": float(np.nansum(adjustment.redundancy[plumb])),
        "control": float(np.nansum(adjustment.control_redundancy)),
        "levels and tapes": float(np.nansum(shares[~vector])),
        **({"baselines": float(np.nansum(shares[vector]))} if vector.any() else {}),
    }


def effects_record(decided: Decided) -> list[dict[str, Any]]:
    """Return the decisions with what each did, in the order of job.yaml."""
    ordered = sorted(decided.effects, key=lambda effect: effect.decision.line)
    return [
        {
            "decision": effect.decision.verb,
            "line": effect.decision.line,
            "finding": effect.decision.finding,
            "where": dict(effect.decision.where),
            "by": effect.decision.by,
            "reason": effect.decision.reason,
            "rows": effect.rows,
            "sigma0_before": effect.before,
            "sigma0_after": effect.after,
        }
        for effect in ordered
    ]
