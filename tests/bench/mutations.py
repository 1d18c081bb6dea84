"""Spoil the files of a job: cells, headings, quotes, bytes, settings, sheets, attributes.

Every mutation is drawn by a generator of its own, so that it can be made without those before it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tieup.config.schema import SCHEMA, SURFACE

Rng = np.random.Generator
HUGE = 1 << 40  # bytes; a sparse file of that size takes no room

NASTY = (
    "", " ", "nan", "inf", "-inf", "NaN", "1e9", "99999999999999999999", "1e300", "-1e300",
    "1e-300", "0", "-0", "-1", "3", "1000", "100.0", "0.0000001", "1,5", "1.5.2", "0-0-0",
    "180-00-00", "359-59-59.9999", "400", "abc", "=1+1", "'", '"', '"a', 'a"', '""', "#", "# x",
    "\u65e5\u672c", "\u202e", "\x00", "\x1b[31m", "\ufeff", "<b>&amp;", "CP1", "S1", "T1", "S2",
    "CP1@S2", "x" * 300, "2026-03-03T25:00:00", "-99.99", "1e5", "359.9999999", "$1", "a;b", "a\tb",
)  # fmt: skip
VALUES = (
    *NASTY[:30], "[]", "{}", "[1, 2]", "{a: b}", "~", "true", "no", "[[[]]]", "!!python/name:a",
    "&a [*a]", "*a", "|", ">", "%x", "@x", "`x`", "? x", "- x", "1_000", "0x10", "0o7", "1:30",
    "free", "local", "control", "gon", "deg", "ft", "m", "rad", "mil", "[raw/*.csv]",
    "[raw/s1.csv]", "control.csv", "raw/s1.csv", "..", ".", "/", "[CP1, CP2]", "all", "utf-16",
    "latin-1", '"\\0"', '"\\ud800"', "paving", "topographic", "1e-9", "-5", "400.1",
)  # fmt: skip
_INNER = {key for kind in SCHEMA.keys.values() for key in getattr(kind, "keys", {})}
KEYS = tuple(sorted({*SCHEMA.keys, *_INNER, *SURFACE.keys}))


def tables_of(job: Path) -> list[Path]:
    """Return the tables of a job."""
    return _plain(job, "*.csv")


def _plain(job: Path, pattern: str = "*") -> list[Path]:
    """Return the files of a job that can be read: no pipe, device or hole of another mutation."""
    return sorted(path for path in job.rglob(pattern) if path.is_file() and not _is_huge(path))


def _is_huge(path: Path) -> bool:
    return path.stat().st_size >= HUGE


def _pick(rng: Rng, things: list[Path]) -> Path | None:
    return things[int(rng.integers(len(things)))] if things else None


def _text(path: Path) -> str:
    if not path.is_file() or _is_huge(path):
        raise FileNotFoundError(path)  # another mutation took it away
    return path.read_bytes().decode("utf-8", "surrogateescape")


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8", "surrogateescape"))


def _some_rows(rng: Rng, count: int) -> list[int]:
    """Draw one row, a few in a run, a third of them, or all."""
    if not count:
        return []
    share = rng.integers(5)
    if share == 3:
        return sorted(rng.choice(count, max(1, count // 3), replace=False).tolist())
    if share == 4:
        return list(range(count))
    start = int(rng.integers(count))
    return list(range(start, min(count, start + (1, 1, 4)[int(share)])))


def cells(job: Path, rng: Rng) -> str:
    """Put a text into cells of one column."""
    if (path := _pick(rng, tables_of(job))) is None:
        return "nothing"
    lines = _text(path).splitlines()
    sign = ";" if ";" in "".join(lines[:1]) else ","
    rows = [line.split(sign) for line in lines]
    if len(rows) < 2:
        return "nothing"
    column, nasty = int(rng.integers(len(rows[0]))), NASTY[rng.integers(len(NASTY))]
    for number in _some_rows(rng, len(rows) - 1):
        if column < len(rows[number + 1]):
            rows[number + 1][column] = nasty
    _write(path, "\n".join(map(sign.join, rows)) + "\n")
    return f"{path.name}: {nasty!r} in column {column + 1}"


def digits(job: Path, rng: Rng) -> str:
    """Change one digit of one cell, drop a sign, or write a number ten times as large."""
    if (path := _pick(rng, tables_of(job))) is None:
        return "nothing"
    text = _text(path)
    places = [match.start() for match in re.finditer(r"\d", text)]
    if not places:
        return "nothing"
    at = places[int(rng.integers(len(places)))]
    new = ("", str(rng.integers(10)), text[at] + "0", ".", "-")[int(rng.integers(5))]
    _write(path, text[:at] + new + text[at + 1 :])
    return f"{path.name}: {text[at]} at {at} becomes {new!r}"


def header(job: Path, rng: Rng) -> str:
    """Rename, double, empty or take away a heading."""
    if (path := _pick(rng, tables_of(job))) is None:
        return "nothing"
    first, end, rest = _text(path).partition("\n")
    names = first.split(",")
    at = int(rng.integers(len(names)))
    new = (
        names[at] + "x",
        names[0],
        "",
        names[at].upper(),
        "note",
        NASTY[rng.integers(len(NASTY))],
    )
    names[at] = new[int(rng.integers(len(new)))]
    _write(path, ",".join(names) + end + rest)
    return f"{path.name}: heading {at + 1} is {names[at]!r}"


def column(job: Path, rng: Rng) -> str:
    """Take a whole column away, or put it elsewhere."""
    if (path := _pick(rng, tables_of(job))) is None:
        return "nothing"
    rows = [line.split(",") for line in _text(path).splitlines()]
    if not rows:
        return "nothing"
    at, to = int(rng.integers(len(rows[0]))), int(rng.integers(len(rows[0])))
    gone = bool(rng.integers(2))
    for row in rows:
        if at < len(row):
            cell = row.pop(at)
            if not gone:
                row.insert(to, cell)
    _write(path, "\n".join(map(",".join, rows)) + "\n")
    return f"{path.name}: column {at + 1} {'gone' if gone else f'to {to + 1}'}"


def lines(job: Path, rng: Rng) -> str:
    """Take lines away, double, shuffle or cut them, or put odd ones between."""
    if (path := _pick(rng, tables_of(job))) is None:
        return "nothing"
    own = _text(path).splitlines(keepends=True)
    if not own:
        return "nothing"
    at, what = int(rng.integers(len(own))), int(rng.integers(8))
    if what == 0:
        del own[at : at + int(rng.integers(1, 10))]
    elif what == 1:
        own.insert(int(rng.integers(len(own))), own[at])
    elif what == 2:
        own[1:] = [own[1:][i] for i in rng.permutation(len(own) - 1)]
    elif what == 3:
        own[at] = own[at][: int(rng.integers(len(own[at]) + 1))] + "\n"
    elif what == 4:
        own.insert(at, ("\n", "# x\n", ",,,,\n", '"\n', "  # y\n", '""\n')[int(rng.integers(6))])
    elif what == 5:
        own[at] = own[at].rstrip("\n") + ",extra\n"
    elif what == 6:
        own = own[:at]
    else:
        own *= 2
    _write(path, "".join(own))
    return f"{path.name}: lines {what} at {at + 1}"


def quotes(job: Path, rng: Rng) -> str:
    """Put quotes around, before or into cells, with separators and line ends within."""
    if (path := _pick(rng, tables_of(job))) is None:
        return "nothing"
    text = _text(path)
    for _ in range(int(rng.integers(1, 4))):
        commas = [match.end() for match in re.finditer(r"[,;\n]", text)]
        if not commas:
            return "nothing"
        at = commas[int(rng.integers(len(commas)))]
        put = ('"', '"', '"a\nb"', '"a,b"', '""', '"\n', "'")[int(rng.integers(7))]
        at -= int(rng.integers(2))
        text = text[:at] + put + text[at:]
    _write(path, text)
    return f"{path.name}: quotes"


def encoding(job: Path, rng: Rng) -> str:
    """Write a file in another encoding, with other line ends, or with a mark before it."""
    if (path := _pick(rng, [*tables_of(job), *_plain(job, "job.yaml")])) is None:
        return "nothing"
    text, what = _text(path), int(rng.integers(7))
    if what < 3:
        path.write_bytes(text.encode(("utf-16", "utf-8-sig", "cp1252")[what], "replace"))
    else:
        end = ("\r\n", "\r", "\x0b", "\u2028")[what - 3]
        _write(path, text.replace("\n", end))
    return f"{path.name}: encoding {what}"


def some_bytes(job: Path, rng: Rng) -> str:
    """Change, add or cut bytes of any file."""
    path = _pick(rng, _plain(job))
    if path is None:
        return "nothing"
    content = bytearray(path.read_bytes())
    at = int(rng.integers(len(content) + 1))
    what = int(rng.integers(4))
    if what == 0:
        content[at:] = b""
    elif what == 1:
        content[at:at] = rng.bytes(int(rng.integers(1, 5)))
    elif what == 2:
        content[at : at + 1] = b"\x00"
    elif content:
        content[at : at + 1] = rng.bytes(1)
    path.write_bytes(bytes(content))
    return f"{path.name}: bytes {what} at {at}"


def setting(job: Path, rng: Rng) -> str:
    """Give a key of job.yaml another value."""
    path = job / "job.yaml"
    text, value = _text(path), VALUES[rng.integers(len(VALUES))]
    found = list(re.finditer(r"(?<=: )[^,{}\[\]\n]+|(?<=\[)[^,{}\[\]\n]+", text))
    if not found:
        return "nothing"
    at = found[int(rng.integers(len(found)))]
    _write(path, text[: at.start()] + value + text[at.end() :])
    return f"job.yaml: {at.group()!r} becomes {value!r}"


def new_setting(job: Path, rng: Rng) -> str:
    """Add a key to job.yaml."""
    key, value = KEYS[rng.integers(len(KEYS))], VALUES[rng.integers(len(VALUES))]
    inner = KEYS[rng.integers(len(KEYS))]
    value = (value, f"{{{inner}: {value}}}", f"[{{{inner}: {value}}}]")[int(rng.integers(3))]
    path = job / "job.yaml"
    kept = [line for line in _text(path).splitlines() if not line.startswith(f"{key}:")]
    _write(path, "\n".join([*kept, f"{key}: {value}"]) + "\n")
    return f"job.yaml: {key}: {value}"


def setting_lines(job: Path, rng: Rng) -> str:
    """Take a line of job.yaml away, double it, or move its indent."""
    path = job / "job.yaml"
    own = _text(path).splitlines(keepends=True)
    if not own:
        return "nothing"
    at, what = int(rng.integers(len(own))), int(rng.integers(3))
    if what == 0:
        del own[at]
    elif what == 1:
        own.insert(at, own[at])
    else:
        own[at] = " " * int(rng.integers(1, 4)) + own[at]
    _write(path, "".join(own))
    return f"job.yaml: line {at + 1}, {what}"


def markup(job: Path, rng: Rng) -> str:
    """Change a value, a name or an element of a LandXML file."""
    if (path := _pick(rng, _plain(job, "*.xml"))) is None:
        return cells(job, rng)
    text, nasty = _text(path), NASTY[rng.integers(len(NASTY))].replace('"', "&quot;")
    what = int(rng.integers(4))
    patterns = (r'(?<=")[^"<>]*(?=")', r"\w+(?==)", r"<[^<>]*>", r"(?<=>)[^<>]+(?=<)")
    found = list(re.finditer(patterns[what], text))
    at = found[int(rng.integers(len(found)))] if found else None
    if at is None:
        return "nothing"
    new = (nasty, "odd", "", nasty)[what]
    _write(path, text[: at.start()] + new + text[at.end() :])
    return f"{path.name}: {at.group()[:40]!r} becomes {new!r}"


def sheet(job: Path, rng: Rng) -> str:
    """Change a cell of a workbook, near or far out, or its title."""
    if (path := _pick(rng, _plain(job, "*.xlsx"))) is None:
        return digits(job, rng)
    import openpyxl

    try:
        book = openpyxl.load_workbook(path)
    except Exception:  # spoiled before: openpyxl raises whatever its parts raise
        return "nothing"
    own = book.active
    row, place = int(rng.integers(1, 60)), int(rng.integers(1, 16))
    if rng.integers(8) == 0:
        row, place = row * 17000, place * 1000
    values = (*NASTY[:28], 1.5, True, 12345678, -3.0, None, "#N/A", "=A1")
    value = values[rng.integers(len(values))]
    own.cell(row, place).value = value
    if rng.integers(10) == 0:
        book.create_sheet("more").append(["a"])
    book.save(path)
    return f"{path.name}: {value!r} in row {row}, column {place}"


def names(job: Path, rng: Rng) -> str:
    """Call a setup or a point like another one, everywhere in a file or once."""
    if (path := _pick(rng, tables_of(job))) is None:
        return "nothing"
    known = ("CP1", "CP2", "CP3", "CP4", "T1", "T2", "S1", "S2", "101", "201")
    old, new = (known[int(i)] for i in rng.choice(len(known), 2, replace=False))
    text, times = _text(path), (0, 1, 2)[int(rng.integers(3))]
    _write(path, re.sub(rf"\b{old}\b", new, text, count=times))
    return f"{path.name}: {old} becomes {new} ({times or 'all'})"


def files(job: Path, rng: Rng) -> str:
    """Take a file away, double it, or put a folder, a link, a pipe or a sparse file there."""
    path = _pick(rng, _plain(job))
    if path is None:
        return "nothing"
    kinds = ("gone", "twice", "a folder", "a broken link", "a pipe", "a device", "a huge hole")
    what = kinds[int(rng.integers(len(kinds)))]
    if what == "twice":
        (path.parent / f"again_{path.name}").write_bytes(path.read_bytes())
        return f"{path.name}: file {what}"
    path.unlink()
    if what == "a folder":
        path.mkdir()
    elif what == "a broken link":
        path.symlink_to("nowhere")
    elif what == "a pipe":
        os.mkfifo(path)
    elif what == "a device":
        path.symlink_to("/dev/zero")
    elif what == "a huge hole":
        path.touch()
        os.truncate(path, HUGE)
    return f"{path.name}: file {what}"


Mutation = Callable[[Path, Rng], str]
MUTATIONS: tuple[Mutation, ...] = (
    cells, cells, cells, cells, digits, digits, digits, header, column, lines, lines, quotes,
    encoding, some_bytes, setting, new_setting, setting_lines, markup, markup, sheet, sheet, names,
    names, files,
)  # fmt: skip
