"""Counts over the jobs of one experiment, and the line that says them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from tests.bench.experiments import Order, Record

WORDS = ("ties", "unproved", "fails")


def tally(order: Order, records: Sequence[Record]) -> dict[str, Any]:
    """Return the counts of an experiment, jobs that could not be solved beside them."""
    records = [record for record in records if "skipped" not in record]
    solved = [record for record in records if "error" not in record]
    errors = [record["error"] for record in records if "error" in record]
    words = Counter(record["word"] for record in solved)
    counts = {"jobs": len(solved), "errors": len(errors)}
    counts |= {word: words.get(word, 0) for word in WORDS}
    if errors:
        counts["first_error"] = errors[0]
    return counts | _TALLIES[order.experiment](solved)


def line_of(order: Order, counts: Mapping[str, Any]) -> str:
    """Return the counts as one line: shares in per cent with their counts."""
    n = counts["jobs"]
    head = f"{order.experiment} {order.setting}: {n} jobs"
    if counts["errors"]:
        head += f" and {counts['errors']} unsolved"
    words = ", ".join(f"{word} {_share(counts[word], n)}" for word in WORDS)
    return f"{head}; {_LINES[order.experiment](counts)}; {words}"


def _clean(records: Sequence[Record]) -> dict[str, Any]:
    sums = {
        f"{kind} {what}": sum(record.get(f"{kind} {what}", 0) for record in records)
        for kind in ("mark", "side")
        for what in ("n", "plan", "height")
    }
    stops = Counter(" ".join(stop).strip() for record in records for stop in record["stop"])
    kinds = Counter(kind for record in records for kind, _ in record["noticed"])
    return {
        "stopped": sum(bool(record["stop"]) for record in records),
        "noticed": sum(bool(record["noticed"]) for record in records),
        **sums,
        "false_stops": dict(stops.most_common()),
        "noticed_kinds": dict(kinds.most_common()),
        "reasons": dict(Counter(record["reason"] for record in records).most_common(4)),
    }


def _clean_line(counts: Mapping[str, Any]) -> str:
    n = counts["jobs"]
    cover = "; ".join(
        f"{kind}s plan {_share(counts[f'{kind} plan'], counts[f'{kind} n'])} height "
        f"{_share(counts[f'{kind} height'], counts[f'{kind} n'])} of {counts[f'{kind} n']}"
        for kind in ("mark", "side")
    )
    return (
        f"stopped {_share(counts['stopped'], n)}, noticed {_share(counts['noticed'], n)}; {cover}"
    )


def _single(records: Sequence[Record]) -> dict[str, Any]:
    counts = {
        what: sum(record[what] for record in records)
        for what in ("any", "noticed", "named", "right")
    }
    kinds: dict[str, list[int]] = {}
    for record in records:
        own = kinds.setdefault(record["mistake"], [0, 0, 0, 0])
        for k, value in enumerate((True, record["noticed"], record["named"], record["right"])):
            own[k] += bool(value)
    wrong = Counter(
        f"{record['mistake']} as {'+'.join(sorted(set(record['kinds'])))}"
        for record in records
        if record["named"] and not record["right"]
    )
    return {
        **counts,
        "extra": sum(bool(record["extra"]) for record in records),
        "elsewhere": sum(bool(record["elsewhere"]) for record in records),
        "by_mistake": dict(sorted(kinds.items())),
        "wrong_names": dict(wrong.most_common(12)),
    }


def _single_line(counts: Mapping[str, Any]) -> str:
    n = counts["jobs"]
    return (
        f"noticed {_share(counts['noticed'], n)} (anything {_share(counts['any'], n)}), named "
        f"{_share(counts['named'], n)}, right or honest rival {_share(counts['right'], n)} ("
        f"{_share(counts['right'], counts['named'])} of the named), a second stop in "
        f"{_share(counts['extra'], n)}, elsewhere in {_share(counts['elsewhere'], n)}"
    )


def _moved(records: Sequence[Record]) -> dict[str, Any]:
    moved = [record for record in records if record["moved"]]
    printed = [record for record in records if record["printed"]]
    return {
        "moved": len(moved),
        "moved_ties": sum(record["word"] == "ties" for record in moved),
        "moved_fails": sum(record["word"] == "fails" for record in moved),
        "moved_noticed": sum(record["any"] for record in moved),
        "printed_moved": len(printed),
        "printed_moved_ties": sum(record["word"] == "ties" for record in printed),
        "missed": [
            (record["job"], record["mistake"], round(1e3 * record["size"], 1))
            for record in records
            if record["word"] == "ties" and (record["moved"] or record["printed"])
        ],
        **_single(records),
    }


def _moved_line(counts: Mapping[str, Any]) -> str:
    moved, printed = counts["moved"], counts["printed_moved"]
    return (
        f"truly moved {moved}: called ties {_share(counts['moved_ties'], moved)}, fails "
        f"{_share(counts['moved_fails'], moved)}, noticed "
        f"{_share(counts['moved_noticed'], moved)}; moved in print {printed}: called ties "
        f"{_share(counts['printed_moved_ties'], printed)}"
    )


def _checked(records: Sequence[Record]) -> dict[str, Any]:
    sums: Counter[str] = Counter()
    for record in records:
        sums.update({k: v for k, v in record.items() if k.startswith(("proof ", "wrong "))})
    worst = [(r["job"], r["mistake"], r["point"], r["bad"]) for r in records if r["bad"]]
    return {
        "jobs_with_wrong": len(worst),
        "wrong checked": 0,
        "wrong held": 0,
        "wrong itself": 0,
        "proof checked": 0,
        **dict(sums),
        "worst": worst[:10],
        **_single(records),
    }


def _checked_line(counts: Mapping[str, Any]) -> str:
    proofs = ", ".join(
        f"{name[6:] or 'none'} {value}"
        for name, value in counts.items()
        if name.startswith("proof ")
    )
    return (
        f"checked and wrong {counts['wrong checked']} of {counts['proof checked']} points, held "
        f"and wrong {counts['wrong held']}, {counts['wrong itself']} of them the spoiled mark "
        f"itself, in {counts['jobs_with_wrong']} jobs; {proofs}; "
        f"{_single_line(counts)}"
    )


def _share(part: int, whole: int) -> str:
    """Return a share in per cent.

    >>> _share(1, 8)
    '12.5 %'
    """
    return f"{100.0 * part / whole:.1f} %" if whole else "-"


_TALLIES: Mapping[str, Callable[[Sequence[Record]], dict[str, Any]]] = {
    "clean": _clean,
    "single": _single,
    "mdb": _single,
    "moved": _moved,
    "checked": _checked,
}
_LINES: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "clean": _clean_line,
    "single": _single_line,
    "mdb": _single_line,
    "moved": _moved_line,
    "checked": _checked_line,
}
