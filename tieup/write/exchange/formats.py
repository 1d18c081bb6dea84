"""The formats that may be asked for, by the word that asks for them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from tieup.model.reconciliation import Reconciliation
from tieup.write.exchange.content import SiteContent, site_content
from tieup.write.exchange.dxf import check_dxf, dxf_text
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


@dataclass(frozen=True)
class Exchange:
    """What is wanted besides the results: words of `FORMATS`, and a unit (the job's own: "")."""

    formats: Sequence[str] = ()
    unit: str = ""

    def check(self) -> None:
        """Raise OutputError where a format needs a library that is missing."""
        if "dxf" in self.formats:
            check_dxf()

    @property
    def names(self) -> list[str]:
        """Return the names of the files, each once, in the order of `FORMATS`."""
        return [name for word, (name, _) in FORMATS.items() if word in self.formats]

    def files(self, site: Reconciliation) -> Iterator[tuple[str, str | bytes]]:
        """Yield name and content of every file."""
        if not self.names:
            return
        content = site_content(site, self.unit or site.job.length_unit)
        for word, (name, writer) in FORMATS.items():
            if word in self.formats:
                yield name, writer(content)
