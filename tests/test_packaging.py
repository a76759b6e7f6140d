"""The wheel carries the reference tables and runs the main job from a folder that is not the checkout."""

import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def run(*command, cwd, **kwargs):
    env = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")}
    return subprocess.run(
        [str(c) for c in command], cwd=cwd, env=env, capture_output=True, text=True, check=False, **kwargs
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Build from a copy, so that no build folder is left in the checkout."""
    copy = tmp_path_factory.mktemp("source")
    for name in ("junction", "reference"):
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, copy / name)
    built = run(
        sys.executable, "-m", "pip", "wheel", ".", "--no-deps", "--no-build-isolation", "-q", "-w", "dist",
        cwd=copy,
    )  # fmt: skip
    assert built.returncode == 0, built.stderr
    (found,) = (copy / "dist").glob("*.whl")
    return found


def test_wheel_holds_the_reference_tables(wheel):
    inside = {Path(n).name for n in zipfile.ZipFile(wheel).namelist() if n.startswith("junction/reference/")}
    wanted = {p.name for p in (ROOT / "reference").iterdir() if p.suffix in (".csv", ".json", ".md")}
    assert wanted and wanted <= inside


def test_demo_runs_from_an_installed_wheel(wheel, tmp_path):
    """A fresh environment; the four run-time packages are lent by the running one to save a download."""
    venv.create(tmp_path / "env", with_pip=False, symlinks=True)
    python = tmp_path / "env" / "bin" / "python"
    ask = "import sysconfig; print(sysconfig.get_path('purelib'))"
    site = Path(run(python, "-c", ask, cwd=tmp_path).stdout.strip())
    done = run(
        sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--target", site, wheel, cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    (site / "lent.pth").write_text(sysconfig.get_path("purelib") + "\n")
    where = run(python, "-c", "import junction; print(junction.__file__)", cwd=tmp_path)
    assert str(site) in where.stdout, "the wheel, not the checkout, is what runs"
    demo = run(python, "-m", "junction", "demo", "bag", cwd=tmp_path)
    assert demo.returncode == 0, demo.stderr
    assert list((tmp_path / "bag").rglob("*.html"))
