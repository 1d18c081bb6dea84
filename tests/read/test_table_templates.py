"""The templates for table shapes: each reads its own sample, and all samples say the same."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from tests.read.jobs import read_raw
from tests.read.test_workbook import workbook
from tieup.data import data_path

TEMPLATES = sorted((data_path("configs") / "tables").glob("*.yaml"))
SAMPLE = "#| "


def sample_of(template: Path) -> str:
    """Return the sample table that stands in the comments of a template."""
    lines = template.read_text(encoding="utf-8").splitlines()
    return "".join(f"{line.removeprefix(SAMPLE)}\n" for line in lines if line.startswith(SAMPLE))


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: path.stem)
def test_a_template_reads_its_own_sample(tmp_path: Path, template: Path) -> None:
    """Two shots from CP1, the same in every shape (1e-5 m and 1e-4 degrees, as written)."""
    sample = sample_of(template)
    raw: dict[str, str | bytes] = {"CP1.csv": sample}
    if template.stem == "workbook":
        raw = {"CP1.xlsx": workbook({"shots": list(csv.reader(sample.splitlines())), "map": [[1]]})}
    book = read_raw(tmp_path, raw, more=template.read_text(encoding="utf-8"))
    (setup,) = book.setups
    assert (setup.label, setup.station, setup.instrument_height) == ("CP1", "CP1", 1.5)
    assert (book.points, book.invalid, book.shots.target_height.tolist()) == (
        ("P1", "P2"), (), [1.8, 1.3],
    )  # fmt: skip
    assert np.degrees(book.shots.direction) == pytest.approx([10.5, 200.25], abs=1e-9)
    assert np.degrees(book.shots.zenith) == pytest.approx([89.25, 91.5], abs=1e-4)
    assert book.shots.distance == pytest.approx([25.125, 12.5], abs=1e-5)


def test_every_template_stands_in_the_readme() -> None:
    """Nobody finds what nobody names."""
    text = (data_path("configs") / "README.md").read_text(encoding="utf-8")
    assert TEMPLATES
    assert [path.stem for path in TEMPLATES if f"| {path.stem} |" not in text] == []
