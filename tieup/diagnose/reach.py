"""Findings about what could not be reached: setups without a tie, marks without a place."""

from __future__ import annotations

from tieup.model.finding import Finding
from tieup.model.network import Network
from tieup.network.components import unlocated, unreached


def reach_findings(network: Network) -> list[Finding]:
    """Return a finding for each piece that is not tied and each mark that is not fixed."""
    findings = []
    for piece in unreached(network):
        kind = "single-tie" if piece.reason == "one shared mark" else "disconnected"
        findings.append(
            Finding(
                kind=kind,
                severity="stop",
                setup=piece.setups[0] if len(piece.setups) == 1 else "",
                points=piece.shared,
                says=piece.says,
                confirm="Compare the point names of these setups with the field sketch.",
                cure=piece.cure,
                action="left out",
                key=" ".join(piece.setups),
            )
        )
    for mark in unlocated(network):
        findings.append(
            Finding(
                kind="weak-geometry",
                severity="check",
                points=(mark.point,),
                says=mark.says,
                confirm="",
                cure=mark.cure,
                action="left out",
            )
        )
    return findings
