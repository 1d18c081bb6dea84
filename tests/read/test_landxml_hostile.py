"""XML from outside: attacks end as an error within a second, nothing is expanded or fetched.

The attacks are those of the OWASP notes on XML external entities and of the "billion laughs".
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.read.landxml_files import SETUP, group, landxml, read_xml_raw, shot, xml_job
from tieup.errors import InputError
from tieup.read import read_control

GOOD = landxml(SETUP + group(shot("P1")))
WHOLE = landxml(
    SETUP
    + '<TargetSetup id="t1" targetHeight="1.8"/>'
    + group(
        '<Backsight circle="0"><BacksightPoint pntRef="CP2"/></Backsight>'
        + shot("CP2", 'targetSetupID="t1" timeStamp="2026-03-03T10:00:00"')
        + shot("P1", 'unused="true"')
        + shot("P2", 'horizDistance="3" vertDistance="4" zenithAngle=""')
        + shot("P3", "", '<OffsetVals offsetInOut="0.1"/><FieldNote>x</FieldNote>')
    ),
    points='<CgPoint name="CP2" pntSurv="control">1 2 3</CgPoint>',
)


def with_doctype(doctype: str, entity: str = "") -> str:
    """Return a good file with a document type, and an entity used in a point name."""
    return landxml(SETUP + group(shot(entity or "P1")), before=doctype + "\n")


def laughs() -> str:
    """Return the entity bomb: ten levels of ten."""
    levels = "".join(f'<!ENTITY l{n} "{"".join([f"&l{n - 1};"] * 10)}">' for n in range(1, 10))
    return with_doctype(f'<!DOCTYPE LandXML [<!ENTITY l0 "{"ha" * 50}">{levels}]>', "&l9;")


def blow_up() -> str:
    """Return one long entity used very often: no nesting for a limit to catch."""
    doctype = f'<!DOCTYPE LandXML [<!ENTITY a "{"a" * 100_000}">]>'
    return with_doctype(doctype, "&a;" * 100_000)


HOSTILE = {
    "entity bomb": laughs(),
    "one long entity": blow_up(),
    "local file": with_doctype(
        '<!DOCTYPE LandXML [<!ENTITY x SYSTEM "file:///etc/passwd">]>', "&x;"
    ),
    "network": with_doctype(
        '<!DOCTYPE LandXML [<!ENTITY x SYSTEM "http://localhost:9/x">]>', "&x;"
    ),
    "parameter entity": with_doctype(
        '<!DOCTYPE LandXML [<!ENTITY % p SYSTEM "http://localhost:9/x.dtd"> %p;]>'
    ),
    "external document type": with_doctype('<!DOCTYPE LandXML SYSTEM "http://localhost:9/x.dtd">'),
    "entity without a document type": landxml(SETUP + group(shot("&x;"))),
    "deep nesting": landxml("<a>" * 200_000 + "</a>" * 200_000),
    "deep nesting outside the survey": GOOD.replace("<Survey>", "<b>" * 200_000 + "<Survey>"),
}


@pytest.fixture(autouse=True)
def no_network(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[object]]:
    """Record every connection that anybody tries to make; there must be none."""
    tried: list[object] = []

    def connect(*arguments: object) -> None:
        tried.append(arguments)
        raise AssertionError("a connection was tried")

    monkeypatch.setattr(socket.socket, "connect", connect)
    yield tried
    assert tried == []


@pytest.mark.parametrize("attack", HOSTILE)
def test_an_attack_is_an_error_in_under_a_second(tmp_path: Path, attack: str) -> None:
    """As raw data: a message with the file's name, before anything is expanded or fetched."""
    job = xml_job(tmp_path, HOSTILE[attack])
    began = time.perf_counter()
    with pytest.raises(InputError) as caught:
        read_xml_raw(tmp_path, HOSTILE[attack])
    assert time.perf_counter() - began < 1.0  # s
    assert str(caught.value).startswith("raw/a.xml:")
    assert "root:" not in str(caught.value)
    assert job.raw_files


@pytest.mark.parametrize("attack", ["entity bomb", "local file"])
def test_control_is_read_as_safely(tmp_path: Path, attack: str) -> None:
    """The same holds for a control list in LandXML."""
    job = xml_job(tmp_path, HOSTILE[attack], more="control: raw/a.xml")
    assert job.control_file is not None
    with pytest.raises(InputError, match="document type or entities of its own"):
        read_control(job.control_file, job)


def test_the_five_entities_of_xml_itself_are_text(tmp_path: Path) -> None:
    """Refusing entities leaves &amp; and character references alone."""
    book = read_xml_raw(tmp_path, landxml(SETUP + group(shot("A&amp;B &#233;"))))
    assert book.points == ("A&B é",)


def test_a_large_part_that_is_no_survey_is_passed_over_quickly(tmp_path: Path) -> None:
    """A surface of 200,000 points beside the survey is not kept."""
    surface = "<Surfaces>" + "<P>1 2 3</P>" * 200_000 + "</Surfaces>"
    began = time.perf_counter()
    book = read_xml_raw(tmp_path, GOOD.replace("<Survey>", surface + "<Survey>"))
    assert len(book.shots) == 1
    assert time.perf_counter() - began < 2.0  # s


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_a_damaged_file_is_read_or_refused_in_words(tmp_path: Path, data: st.DataObject) -> None:
    """Whatever is cut, doubled or overwritten: a field book or an InputError, nothing else."""
    content = bytearray(WHOLE.encode("utf-8"))
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(content) - 1))
        length = data.draw(st.integers(0, 30))
        content[place : place + length] = data.draw(
            st.sampled_from([b"", b'"', b"<", b"/>", b"-1e9", b"&#0;", b"\xff\xfe", b"  "])
        )
    try:
        book = read_xml_raw(tmp_path, bytes(content))
    except InputError as error:
        assert all(problem.startswith("raw/a.xml") for problem in error.problems)
    else:
        assert book.files[0].rows == len(book.shots) + len(book.invalid) + len(book.unused)
