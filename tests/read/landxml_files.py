"""Small invented LandXML files for the tests of reading."""

from __future__ import annotations

from pathlib import Path

from tests.read.jobs import make_job
from tieup.model.fieldbook import Fieldbook
from tieup.model.job import Job
from tieup.read import read_fieldbook

METRIC = (
    '<Units><Metric areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter" '
    'temperatureUnit="celsius" pressureUnit="milliBars" angularUnit="decimal degrees" '
    'directionUnit="decimal degrees"/></Units>'
)
SETUP = (
    '<InstrumentSetup id="i1" stationName="100" instrumentHeight="1.5">'
    '<InstrumentPoint pntRef="CP1"/></InstrumentSetup>'
)
RAW_JOB = 'raw: ["raw/*.xml"]'


def shot(point: str, more: str = "", inside: str = "", *, kind: str = "RawObservation") -> str:
    """Return one observation of a point: 30 degrees, level, 10 m, unless ``more`` says else."""
    given = 'horizAngle="30" zenithAngle="90" slopeDistance="10"' if "Angle" not in more else ""
    return f'<{kind} {given} {more}><TargetPoint pntRef="{point}"/>{inside}</{kind}>'


def group(inside: str, more: str = 'setupID="i1"', *, name: str = "g1") -> str:
    """Return an observation group."""
    return f'<ObservationGroup id="{name}" {more}>{inside}</ObservationGroup>'


def landxml(
    survey: str, *, units: str = METRIC, points: str = "", version: str = "1.2", before: str = ""
) -> str:
    """Return a whole file around what stands in Survey."""
    return (
        f'<?xml version="1.0"?>\n{before}<LandXML xmlns="http://www.landxml.org/schema/'
        f'LandXML-{version}" date="2026-03-03" time="10:00:00" version="{version}">\n{units}\n'
        f"<CgPoints>{points}</CgPoints>\n"
        f'<Survey><SurveyHeader name="yard"/>\n{survey}\n</Survey>\n</LandXML>\n'
    )


def xml_job(folder: Path, text: str | bytes, *, more: str = "", length: str = "m") -> Job:
    """Return the job of one LandXML file, raw/a.xml."""
    return make_job(folder, {"a.xml": text}, more=f"{RAW_JOB}\n{more}", length=length)


def read_xml_raw(folder: Path, text: str | bytes, *, more: str = "") -> Fieldbook:
    """Read one LandXML file as the raw data of a job."""
    return read_fieldbook(xml_job(folder, text, more=more))
