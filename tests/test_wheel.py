"""The wheel that users install: it carries its data and works away from the source tree."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel with the build tools of the test environment."""
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", str(folder), str(ROOT))
    return next(folder.glob("*.whl"))


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install the wheel alone into a folder; its dependencies are those of this environment."""
    folder = tmp_path_factory.mktemp("installed")
    pip = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index"]
    run(*pip, "--target", str(folder), str(wheel))
    return folder


def run(*command: str, **options: object) -> subprocess.CompletedProcess[str]:
    """Run a command; show what it printed where it fails."""
    done = subprocess.run(command, capture_output=True, text=True, **options)  # type: ignore[call-overload]
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done  # type: ignore[no-any-return]


def tieup(installed: Path, cwd: Path, *arguments: str) -> str:
    """Run the installed command in a folder that is not the source tree."""
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    command = [sys.executable, str(installed / "bin" / "tieup"), *arguments]
    return run(*command, cwd=cwd, env=environment).stdout


def files_below(folder: Path) -> set[str]:
    """Return the files of a data folder of the source tree."""
    found = (file for file in folder.rglob("*") if file.is_file())
    return {
        file.relative_to(ROOT).as_posix()
        for file in found
        if not {"out", "__pycache__"} & set(file.parts)
    }


def test_the_wheel_carries_configs_and_sample_and_no_tests(wheel: Path) -> None:
    """Every settings file and every file of the sample job is inside, and py.typed."""
    with ZipFile(wheel) as archive:
        names = set(archive.namelist())
    data = files_below(ROOT / "configs") | files_below(ROOT / "sample_raw")
    assert any(name.startswith("configs/tolerances") for name in data)
    assert "sample_raw/fire_station/job.yaml" in data
    assert {f"tieup/_data/{name}" for name in data} <= names
    assert "tieup/py.typed" in names
    assert {name.split("/")[0].split("-")[0] for name in names} == {"tieup"}


def test_help_works_from_the_wheel(installed: Path, tmp_path: Path) -> None:
    """The console command starts outside the source tree."""
    assert "reconcile" in tieup(installed, tmp_path, "-h")


def test_the_demo_works_from_the_wheel(installed: Path, tmp_path: Path) -> None:
    """`tieup demo` finds the sample job that came with the package."""
    text = tieup(installed, tmp_path, "demo")
    assert "fire_station" in text
    run_file = tmp_path / "fire_station" / "out" / "run.json"
    assert json.loads(run_file.read_text(encoding="utf-8"))["status"] in (0, 1)


def test_the_library_of_the_wheel_is_the_one_that_runs(installed: Path, tmp_path: Path) -> None:
    """These tests exercise the installed package, not the source tree."""
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    code = "import tieup; print(tieup.__file__)"
    done = run(sys.executable, "-c", code, cwd=tmp_path, env=environment)
    assert Path(done.stdout.strip()).is_relative_to(installed)
