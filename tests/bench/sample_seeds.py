"""Does the sample yard tie whatever day it is? Its clean copy with one seed after another.

python -m tests.bench.sample_seeds [--seeds 100] [--first 0]
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from tests.make_sample import WORKED_OUT
from tests.simulate import simulate, write_job
from tests.simulate.yards import fire_station
from tieup.config import load_job
from tieup.model.settings import Precision
from tieup.pipeline import run


def main() -> None:
    """Count the verdicts of clean copies."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    words: Counter[str] = Counter()
    for seed in range(given.first, given.first + given.seeds):
        word, reasons = verdict_of(seed)
        words[word] += 1
        if word != "ties":
            print(seed, word, *reasons[:3], sep="; ", flush=True)
    print(dict(words))


def verdict_of(seed: int) -> tuple[str, tuple[str, ...]]:
    """Return the verdict of one clean day with its reasons, falls that do not pass included."""
    rng = np.random.default_rng(seed)
    survey = simulate(fire_station(rng), Precision(), rng)
    with tempfile.TemporaryDirectory() as scratch:
        folder = write_job(Path(scratch) / "yard", survey)
        with (folder / "job.yaml").open("a", encoding="utf-8") as stream:
            stream.write(WORKED_OUT["fire_station"])
        verdict = run(load_job(folder)).verdict
    return verdict.word, (*verdict.reasons, *verdict.falls, *verdict.untold, *verdict.surfaces)


if __name__ == "__main__":
    main()
