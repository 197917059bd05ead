"""The built wheel, away from the clone: it carries data and notebooks and works with nothing of the clone about."""

import os
import subprocess
import sys

import pytest

from tests.conftest import ROOT

CODE = """
import avoidkit
from avoidkit import load_scene, load_tuning, shipped
assert "_shipped" in str(shipped("scenes")), shipped("scenes")
scenes = [load_scene(file) for file in sorted(shipped("scenes").glob("*.toml"))]
tuning = load_tuning(shipped("tunings") / "baseline.toml")
assert list(shipped("notebooks").glob("*.ipynb"))
from avoidkit.drive import drive
print(avoidkit.__version__, len(scenes) >= 7, len(drive(scenes[0], tuning, seed=0, duration_s=1.0)) > 0)
"""


@pytest.mark.slow
def test_an_installed_wheel_finds_its_data_and_drives(tmp_path):
    pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
    wheels, site, elsewhere = tmp_path / "wheels", tmp_path / "site", tmp_path / "elsewhere"
    elsewhere.mkdir()
    subprocess.run([*pip, "wheel", "--no-deps", "-w", str(wheels), str(ROOT)], check=True)
    (wheel,) = wheels.glob("avoidkit-*.whl")
    subprocess.run([*pip, "install", "--no-deps", "--target", str(site), str(wheel)], check=True)
    env = {**os.environ, "PYTHONPATH": str(site)}  # before site-packages, where the clone may be installed as editable
    done = subprocess.run(
        [sys.executable, "-P", "-c", CODE], cwd=elsewhere, env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[1:] == ["True", "True"]
    assert (site / "avoidkit" / "py.typed").is_file()
