"""What some tests need from outside the project, where it is looked for, and how to get it."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

DATA = Path(os.environ.get("TIEUP_TEST_DATA", Path(__file__).parents[2] / "shared" / "realdata"))
# Three robotic total stations, norlab-ulaval/RTS_project on GitHub (MIT, (c) 2022 Maxime
# Vaidis): real data that the project does not carry.
RTS = DATA / "rts"
# A sample survey of 2006 in LandXML 1.1, nathancrews/LandXML2glTF on GitHub; the rights in the
# data are not stated, so the project does not carry it.
PARTRIDGE = DATA / "landxml" / "Partridge_Survey.xml"
LANDXML_XSD = Path(
    os.environ.get("LANDXML_XSD", DATA.parent / "landxml" / "LandXML-1.2.xsd")
).resolve()
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

NO_RTS = "the real observations of RTS_project are not at hand"
NO_PARTRIDGE = "the real survey in LandXML is not at hand"
NO_SCHEMA = "the published schema of LandXML 1.2 is not at hand"
NO_BROWSER = "no chromium to open the page in"
# What a skipped test says, and how it can be tried.
HOW = {
    NO_RTS: (
        "data/*/total_stations/*_GCP*.txt of github.com/norlab-ulaval/RTS_project as rts/ in the "
        "folder that TIEUP_TEST_DATA names"
    ),
    NO_PARTRIDGE: (
        "Partridge_Survey.xml of github.com/nathancrews/LandXML2glTF as landxml/ in the folder "
        "that TIEUP_TEST_DATA names"
    ),
    NO_SCHEMA: "LandXML-1.2.xsd of landxml.org; LANDXML_XSD names the file",
    NO_BROWSER: "install chromium (Debian: apt-get install chromium)",
}
# What others own stays outside the project, and no check fails for want of it.
MAY_BE_ABSENT = (NO_RTS, NO_PARTRIDGE, NO_SCHEMA)

needs_rts = pytest.mark.skipif(not RTS.is_dir(), reason=NO_RTS)
needs_partridge = pytest.mark.skipif(not PARTRIDGE.is_file(), reason=NO_PARTRIDGE)
needs_schema = pytest.mark.skipif(not LANDXML_XSD.is_file(), reason=NO_SCHEMA)
needs_browser = pytest.mark.skipif(BROWSER is None, reason=NO_BROWSER)
