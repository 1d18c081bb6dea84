"""Words of raw tables that job.yaml gives a meaning: faces, roles and codes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.read.jobs import make_job, read_raw
from tieup.diagnose.row_checks.unknown_roles import role_findings
from tieup.errors import ConfigError, InputError

HEADER = "setup,point,direction,zenith,distance,face,role,code"
ROWS = (
    "S1,A,10,90,12,I,Anschluss,Bord\n"
    "S1,A,190,270,12,II,ANSCHLUSS,Bord\n"
    "S1,B,20,91,13,i,Neupunkt,bord\n"
    "S1,C,30,91,13,1,side,\n"
)
WORDS = "words: {face: {I: 1, II: 2}, role: {anschluss: backsight, Neupunkt: side}, "
WORDS += "code: {Bord: CURB}}"


def test_faces_roles_and_codes_mean_what_job_yaml_says(tmp_path: Path) -> None:
    """Capitals count in codes alone; a word without a meaning stays as it is."""
    book = read_raw(tmp_path, f"{HEADER}\n{ROWS}", more=WORDS)
    assert not book.invalid
    assert book.shots.face.tolist() == [1, 2, 1, 1]
    assert book.shots.role.tolist() == ["backsight", "backsight", "side", "side"]
    assert book.shots.code.tolist() == ["CURB", "CURB", "bord", ""]
    assert not list(role_findings(book))


@pytest.mark.parametrize(
    ("words", "cure"),
    [(("I", "II"), "words: {face: {I: 1, II: 2}}"), (("L", "R"), "words: {face: {L: 1, R: 2}}"),
     (("un", "deux"), "words: {face: {deux: ..., un: ...}}")],
)  # fmt: skip
def test_face_words_name_the_key_that_explains_them(
    tmp_path: Path, words: tuple[str, str], cure: str
) -> None:
    """A table of faces I and II is refused with what to write, and never guessed."""
    rows = "".join(f"S1,P{n},10,90,1{n},{words[n % 2]},,\n" for n in range(4))
    with pytest.raises(InputError) as caught:
        read_raw(tmp_path, f"{HEADER}\n{rows}")
    assert f"is not 1 or 2. Say in job.yaml which it is: {cure}" in str(caught.value)


def test_a_wrong_number_for_a_face_is_no_word(tmp_path: Path) -> None:
    """Face 3 is a slip, not a word of another language."""
    rows = ROWS.replace("side,", "side,x").replace(",1,side", ",3,side")
    (row,) = read_raw(tmp_path, f"{HEADER}\n{rows}", more=WORDS).invalid
    assert row.reason == "face 3 is not 1 or 2"


def test_unknown_roles_are_said(tmp_path: Path) -> None:
    """Words that are no role give a note with their lines and the key that explains them."""
    more = "words: {face: {I: 1, II: 2}, role: {Neupunkt: side}}"
    book = read_raw(tmp_path, f"{HEADER}\n{ROWS}", more=more)
    (found,) = role_findings(book)
    assert (found.kind, found.severity) == ("unknown-role", "note")
    assert found.lines == ("raw/a.csv:2", "raw/a.csv:3")
    assert "The role of 2 rows is anschluss" in found.says
    assert "words: {role: {anschluss: backsight}}" in found.cure
    assert np.array_equal(book.shots.role[:2], ["anschluss", "anschluss"])


@pytest.mark.parametrize(
    ("words", "message"),
    [("{face: {I: 3}}", "words.face.I is 3. Expected one of 1, 2"),
     ("{role: {A: backsite}}", 'words.role.A is "backsite". Expected one of backsight'),
     ("{faces: {I: 1}}", "faces is not a key here. Did you mean face?")],
)  # fmt: skip
def test_meanings_are_read_strictly(tmp_path: Path, words: str, message: str) -> None:
    """A meaning that is none, or of a column that takes none, is an error of job.yaml."""
    with pytest.raises(ConfigError, match=message):
        make_job(tmp_path, {"a.csv": f"{HEADER}\n{ROWS}"}, more=f"words: {words}")
