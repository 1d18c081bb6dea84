"""What a run of the tests says at its end: what it could not try here, and how to."""

from __future__ import annotations

import os
from collections import Counter
from typing import Any

import pytest

from tests.at_hand import HOW, MAY_BE_ABSENT

FAILED = 1
MODULES: dict[str, str] = {}  # why a whole module was skipped
# The tests run in two processes: a second thread of the linear algebra in each only waits for a
# core, at a third more time. Before numpy is loaded, as its libraries look once.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add --all-tried, for a machine that has all that can be installed."""
    parser.addoption(
        "--all-tried",
        action="store_true",
        help="fail where a test is skipped for another reason than data that others own",
    )


def pytest_collectreport(report: pytest.CollectReport) -> None:
    """Keep what a skipped module says: other processes do not tell it by themselves."""
    if report.skipped and isinstance(report.longrepr, tuple):
        MODULES[report.nodeid] = str(report.longrepr[2])


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Take over what a process beside this one has kept."""
    MODULES.update(getattr(node, "workeroutput", {}).get("skipped_modules", {}))


def not_tried(reporter: pytest.TerminalReporter) -> Counter[str]:
    """Return how many tests were skipped by reason; a module that was skipped counts as one."""
    reports = [r for r in reporter.stats.get("skipped", ()) if isinstance(r.longrepr, tuple)]
    reasons = [str(r.longrepr[2]) for r in reports if r.nodeid not in MODULES]
    return Counter(why.removeprefix("Skipped: ") for why in [*reasons, *MODULES.values()])


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Let --all-tried fail the run; a process beside the first hands over what it has kept."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["skipped_modules"] = MODULES
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is None or not session.config.getoption("all_tried"):
        return
    if any(reason not in MAY_BE_ABSENT for reason in not_tried(reporter)):
        session.exitstatus = session.exitstatus or FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what was skipped by reason, with the way to try it."""
    strict = terminalreporter.config.getoption("all_tried")
    for reason, count in sorted(not_tried(terminalreporter).items()):
        how = HOW.get(reason, "the extra tieup[test] has what it needs")
        fails = strict and reason not in MAY_BE_ABSENT
        terminalreporter.write_line(
            f"{'FAILED' if fails else 'Not tried'}: {count} of the tests, {reason}. To try: {how}."
        )
