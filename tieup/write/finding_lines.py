"""Findings on a screen: what comes first, in how many lines, with its cure and what to paste."""

from __future__ import annotations

import re
from collections.abc import Sequence

from tieup.model.finding import Finding
from tieup.write.documents import decision_line
from tieup.write.terminal import folded

SAYS_LINES, SHORT_LINES, CURE_LINES = 3, 2, 2
LONGEST = 6  # lines of a single sentence
# "S2 puts ... low. Shoot it again."; what only leads in a sentence is no sentence by itself.
SENTENCE_END = re.compile(r"(?<=[.!?])(?<!no mistake\.)(?<!gear explains\.) +(?=[A-Z\"(])")
MOST_STOPS = 8  # findings to settle that are shown, however small the screen


def finding_lines(findings: Sequence[Finding], room: int) -> list[str]:
    """Return the worst findings with their cures, as many as there is room for.

    What must be settled before use is shown whether there is room or not, in fewer words each,
    and so is a column that a whole file lacks: it may be behind all else.
    """
    stops = [finding for finding in findings if _comes_first(finding)][:MOST_STOPS]
    lines = [line for finding in stops for line in _block(finding)]
    to_paste = _to_paste(stops)
    more = len(findings) > len(stops)
    if len(lines) + len(to_paste) > room - more:
        lines = [line for finding in stops for line in _block(finding, SHORT_LINES)]
    lines += to_paste
    shown = len(stops)
    for number, finding in enumerate(findings[shown:], shown + 1):
        left = room - len(lines) - (number < len(findings))
        block = next(
            (b for b in (_block(finding), _block(finding, SHORT_LINES)) if len(b) <= left), []
        )
        if _comes_first(finding) or not block:
            break
        lines += block
        shown = number
    if rest := len(findings) - shown:
        lines.append(f"{'and' if lines else 'See'} {rest:,} more in report.html, under Survey")
    return lines


def _comes_first(finding: Finding) -> bool:
    return finding.severity == "stop" or (
        finding.severity == "check" and finding.kind == "missing-column"
    )


def _block(finding: Finding, says: int = SAYS_LINES) -> list[str]:
    """Return a finding in so many lines, with its cure."""
    lines = _sentences(finding.says, f"{finding.severity.upper():<6}{finding.id}  ", says)
    return lines + (_cure(finding) if finding.cure else [])


def _cure(finding: Finding) -> list[str]:
    return _sentences(finding.cure, " " * 6 + "cure: ", CURE_LINES)


def _sentences(text: str, label: str, most: int) -> list[str]:
    """Fold as many whole sentences as ``most`` lines hold, the first one in any case.

    Half a sentence can say the opposite of the whole; dots behind the last one say that there
    is more of it in report.html. Names as long as a page are cut all the same.
    """
    sentences = SENTENCE_END.split(text)
    for count in range(len(sentences), 0, -1):
        more = " ..." if count < len(sentences) else ""
        lines = folded(" ".join(sentences[:count]) + more, label=label, most=LONGEST)
        if len(lines) <= most:
            break
    return lines


def _to_paste(stops: Sequence[Finding]) -> list[str]:
    """Return the line that accepts the worst finding that a decision can settle, if any can."""
    line = next((decision_line("accept", f.id) for f in stops if f.decidable), "")
    if not line:
        return []
    return ["To decide, write under decisions: in job.yaml, for instance", f"  {line}"]
