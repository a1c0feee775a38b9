"""A wheel in an empty virtual environment carries all it needs for the main job."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

pytestmark = [pytest.mark.timeout(900), pytest.mark.xdist_group("packaging")]


def _run(*command: str | Path, cwd: Path, check: bool = True) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if check:
        assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    _run(
        sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, ROOT,
        cwd=folder,
    )  # fmt: skip
    (built,) = folder.glob("busprobe-*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("empty")
    venv.create(folder / "venv", with_pip=True)
    binaries = folder / "venv" / ("Scripts" if os.name == "nt" else "bin")
    # As the guide says for a computer without internet: collect everything, install from there.
    _run(sys.executable, "-m", "pip", "wheel", "-q", "-w", folder / "wheels", wheel, cwd=folder)
    _run(
        binaries / "python", "-m", "pip", "install", "-q", "--no-index",
        "--find-links", folder / "wheels", "busprobe", cwd=folder,
    )  # fmt: skip
    return binaries


def test_the_wheel_carries_profiles_scenarios_and_simulators(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    scenarios = {p.name for p in (ROOT / "simulators" / "scenarios").glob("*.yaml")}
    profiles = {p.name for p in (ROOT / "device_profiles").glob("*.yaml")}
    packed = {Path(n).name for n in names if n.startswith("busprobe_sim/scenarios/")}
    assert scenarios
    assert scenarios <= packed
    exercises = {
        f"busprobe_sim/training_exercises/{p.relative_to(ROOT / 'simulators/training').as_posix()}"
        for p in (ROOT / "simulators" / "training").glob("**/*.yaml")
    }
    assert any("/sites/" in name for name in exercises)
    assert exercises <= set(names)
    assert profiles
    assert profiles <= {Path(n).name for n in names if n.startswith("busprobe/device_profiles/")}
    modules = {
        p.relative_to(ROOT).as_posix()
        for p in (ROOT / "busprobe").glob("**/*")
        if p.suffix in (".py", ".tcss", ".md", ".j2", ".css", ".typ")
        and "__pycache__" not in p.parts
    }
    assert modules <= set(names)
    assert not any(n.startswith("tests/") for n in names)


def test_the_main_job_runs_from_the_installed_wheel(installed: Path, tmp_path: Path) -> None:
    done = _run(installed / "busprobe", "scan", "sim:demo", "--json", cwd=tmp_path, check=False)
    assert done.returncode == 1, done.stderr
    document = json.loads(done.stdout)
    assert document["schema"] == "busprobe/1"
    assert any(f["code"] == "duplicate-address" for f in document["findings"])


def test_exercises_run_from_the_installed_wheel(installed: Path, tmp_path: Path) -> None:
    state = tmp_path / "state.json"
    done = _run(
        installed / "busprobe", "train", "--random", "--level", "2", "--seed", "3", "--json",
        "--state", state, cwd=tmp_path,
    )  # fmt: skip
    assert json.loads(done.stdout)["result"]["assignment"]["link"] == "sim:random-2@3"
    done = _run(installed / "busprobe", "train", "--list", "--json", "--state", state, cwd=tmp_path)
    assert len(json.loads(done.stdout)["result"]["exercises"]) >= 24
