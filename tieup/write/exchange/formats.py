"""The formats that may be asked for, by the word that asks for them, and whether they may leave.

Files for another program are acted upon without a look at the page: while the site does not
tie they are written on request only, as drafts, which their names and each of them say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from tieup.model.answer import TIED, UNPROVED
from tieup.model.reconciliation import Reconciliation
from tieup.write.cautions import UNCHECKED_MEANS
from tieup.write.exchange.content import SiteContent, site_content
from tieup.write.exchange.dxf import check_dxf, dxf_text
from tieup.write.exchange.export_selection import Selection, choose
from tieup.write.exchange.geo import geojson_text, geopackage_bytes
from tieup.write.exchange.landxml import landxml_text
from tieup.write.exchange.pnezd import pnezd_text

FORMATS: Mapping[str, tuple[str, Callable[[SiteContent], str | bytes]]] = {
    "pnezd": ("points.txt", pnezd_text),
    "landxml": ("site.xml", landxml_text),
    "geojson": ("site.geojson", geojson_text),
    "gpkg": ("site.gpkg", geopackage_bytes),
    "dxf": ("site.dxf", dxf_text),
}
"""Word -> file name and what writes it."""
MOST_REASONS = 4


@dataclass(frozen=True)
class Exchange:
    """What is wanted besides the results.

    ``formats`` are words of `FORMATS`, ``unit`` is that of lengths (the job's own: "").
    ``draft``: they are wanted though the site does not tie. ``selection``: which points.
    """

    formats: Sequence[str] = ()
    unit: str = ""
    draft: bool = False
    selection: Selection = field(default_factory=Selection)

    @property
    def asked(self) -> dict[str, Any]:
        """Return all of it as run.json records it; nothing where no file is wanted."""
        if not self.formats:
            return {}
        words = [word for word in FORMATS if word in self.formats]
        chosen = {name: sorted(set(values)) for name, values in asdict(self.selection).items()}
        return {"also": words, "unit": self.unit, "draft": self.draft, **chosen}

    def missing(self, written: Sequence[str]) -> list[str]:
        """Return the files that were asked for and are neither written nor drafts."""
        names = [name for word, (name, _) in FORMATS.items() if word in self.formats]
        return [n for n in names if not {n, _draft(n)} & set(written)]

    def check(self) -> None:
        """Raise OutputError where a format needs a library that is missing."""
        if "dxf" in self.formats:
            check_dxf()

    def names(self, site: Reconciliation) -> list[str]:
        """Return the names of the files that are written, each once, in the order of `FORMATS`."""
        return [] if self._held_back(site) else self._wanted(site)

    def files(self, site: Reconciliation, written: str) -> Iterator[tuple[str, str | bytes]]:
        """Yield name and content of every file that is written, at the time ``written``."""
        names = self.names(site)
        if not names:
            return
        unit = self.unit or site.job.length_unit
        chosen = choose(site, self.selection)
        content = site_content(site, unit, chosen, written=written, draft=draft_words(site))
        writers = [writer for word, (_, writer) in FORMATS.items() if word in self.formats]
        for name, writer in zip(names, writers, strict=True):
            yield name, writer(content)

    def refusal(self, site: Reconciliation) -> str:
        """Return why the files are not written, empty where they are or none is wanted."""
        if not self._held_back(site):
            return ""
        return (
            f"Not written: {', '.join(self._wanted(site))}. {_state(site)}, and whoever "
            "takes files for another program does not see the report. Settle what is open, or add "
            "--draft: they then say inside and in their names that they are drafts."
        )

    def remark(self, site: Reconciliation) -> str:
        """Return what must be known of the files on the screen: what they hold, or the refusal.

        Raises
        ------
        OutputError
            A point or a code is asked for that the site does not have.
        """
        names = self.names(site)
        if not names:
            return self.refusal(site)
        chosen = choose(site, self.selection)
        kind = "Drafts, not to be built on: " if draft_words(site) else ""
        points = f"{len(chosen.rows):,} point{'s' * (len(chosen.rows) != 1)}"
        them = "it" if chosen.unchecked == 1 else "them"
        proof = (
            f", {chosen.unchecked:,} of them unchecked: {UNCHECKED_MEANS} {them}"
            if chosen.unchecked
            else ""
        )
        said = f"{kind}{', '.join(names)}: {points}{proof}. {chosen.words}".rstrip()
        return f"{said} {_surfaces(site, names)}".rstrip()

    def record(self, site: Reconciliation) -> dict[str, Any]:
        """Return what came of the files as data."""
        names = self.names(site)
        chosen = choose(site, self.selection) if names else None
        return {
            "files": names,
            "draft": bool(names and draft_words(site)),
            "refused": self._wanted(site) if self._held_back(site) else [],
            "points": len(chosen.rows) if chosen else 0,
            "unchecked": chosen.unchecked if chosen else 0,
            "left_out": {why: len(them) for why, them in chosen.left_out.items()} if chosen else {},
            "says": self.remark(site),
        }

    def _held_back(self, site: Reconciliation) -> bool:
        return bool(self.formats) and bool(draft_words(site)) and not self.draft

    def _wanted(self, site: Reconciliation) -> list[str]:
        names = [name for word, (name, _) in FORMATS.items() if word in self.formats]
        return [_draft(name) for name in names] if self._drafts(site) else names

    def _drafts(self, site: Reconciliation) -> bool:
        return self.draft and bool(draft_words(site))


def _draft(name: str) -> str:
    """Return what a file is called that is a draft."""
    return name.replace(".", ".draft.")


def _surfaces(site: Reconciliation, names: Sequence[str]) -> str:
    """Say which surfaces leave, and that one which does not drain leaves all the same."""
    carried = [surface for surface in site.surfaces if surface.verdict]
    if not carried or all(name.startswith("points") for name in names):
        return ""
    verdicts = {"drains": "drains", "holds": "does not drain"}
    said = [
        f"{one.name} ({verdicts.get(one.verdict, 'cannot tell whether it drains')})"
        for one in carried
    ]
    return f"Surface{'s' * (len(said) > 1)}: {', '.join(said)}."


def draft_words(site: Reconciliation) -> str:
    """Return what a file says of a site that does not tie, empty where it ties."""
    if site.verdict.word == TIED:
        return ""
    why = site.verdict.why(MOST_REASONS)
    return f"DRAFT, not to be built on. {_state(site)}{f': {why}' if why else ''}."


def _state(site: Reconciliation) -> str:
    return (
        "The site is not proved yet"
        if site.verdict.word == UNPROVED
        else "The site does not tie yet"
    )
