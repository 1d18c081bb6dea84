"""Bad rows among good ones: invalid with their reason, counted, and in nobody's way."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.endtoend.jobs import Output, copy_sample, put, reconcile

S1 = "raw/s1.csv"

BAD_ROWS = (  # column, what stands in it, words of the reason
    ("distance", "far", ("distance", "far")),
    ("distance", "nan", ("distance", "nan")),
    ("distance", "inf", ("distance", "inf")),
    ("distance", "0", ("distance", "above 0")),
    ("distance", "12,5", ("cells",)),
    ("zenith", "91-72-10.4", ("zenith", "minutes")),
    ("zenith", "400-00-00", ("zenith",)),
    ("direction", "-10-00-00", ("direction",)),
    ("direction", "365-00-00", ("direction",)),
    ("target_height", "1.5m", ("target_height", "1.5m")),
    ("target_height", "NaN", ("target_height", "NaN")),
    ("face", "3", ("face", "3")),
    ("round", "0", ("round",)),
    ("point", "", ("point", "empty")),
    ("setup", "", ("setup", "empty")),
)


@pytest.mark.parametrize(("column", "text", "reason"), BAD_ROWS)
def test_one_bad_row_among_good_ones_is_invalid_and_counted(
    column: str,
    text: str,
    reason: tuple[str, ...],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The row has status invalid with its reason; the others give the site all the same."""
    job = copy_sample("two_setups", tmp_path)
    put(job, S1, column, text, [6])
    run = reconcile(capsys, job)
    assert run.status == 0, run.errors
    counts = run.document("run")["counts"]
    assert (counts["invalid"], counts["used"], counts["rows"]) == (1, 47, 48)
    rows = [r for r in run.table("observations") if (r["file"], r["line"]) == (S1, "7")]
    assert {r["status"] for r in rows} == {"invalid"}
    assert all(word in r["reason"] for word in reason for r in rows)
    assert [r["kind"] for r in rows] == ["direction", "zenith", "distance"]
    assert [r for r in run.table("observations") if r["status"] == "invalid"] == rows


def test_a_row_that_breaks_off_is_invalid(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last row of an export that was cut."""
    job = copy_sample("two_setups", tmp_path)
    path = job / S1
    text = path.read_text(encoding="utf-8").rstrip("\n")
    path.write_text(text[: text.rindex(",1,1,side")], encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status in (0, 1)
    counts = run.document("run")["counts"]
    assert counts["invalid"] == 1
    (row, *_) = [r for r in run.table("observations") if r["status"] == "invalid"]
    assert "breaks off" in row["reason"]


def test_unknown_columns_are_kept_and_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], plain_dock: Output
) -> None:
    """A column that the tool does not know changes nothing and is named in run.json."""
    job = copy_sample("two_setups", tmp_path)
    path = job / S1
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [lines[0] + ",mood", *(f"{line},good" for line in lines[1:])]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run = reconcile(capsys, job)
    assert run.status == 0
    assert run.document("run")["unknown_columns"] == {"mood": [S1]}
    assert run.table("coordinates") == plain_dock.table("coordinates")


def test_comments_blank_lines_and_a_byte_order_mark_are_no_rows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Lines are counted as an editor counts them."""
    job = copy_sample("two_setups", tmp_path)
    path = job / S1
    lines = path.read_text(encoding="utf-8").splitlines()
    text = "\n".join(["# by hand", "", lines[0], "# next", *lines[1:], "", "# end"])
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    run = reconcile(capsys, job)
    assert run.status == 0, run.errors
    assert run.document("run")["counts"]["rows"] == 48
    first = run.table("observations")[0]
    assert (first["file"], first["line"]) == (S1, "5")
