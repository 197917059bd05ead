"""`avoidkit compile`: every loop is compiled beforehand, and a drive afterwards compiles nothing."""

import os
import subprocess
import sys

import numpy as np
import pytest

from avoidkit.cli import main
from avoidkit.jit import jit_enabled
from avoidkit.studies import compiling
from avoidkit.tracking import Tracker
from avoidkit.tracking.records import Stage
from avoidkit.tuning import Tuning

AFTERWARDS = """
from avoidkit import Tuning, load_scene, shipped
from avoidkit.drive import drive
from avoidkit.jit import on_compiling
from avoidkit.studies.verdict_map import verdict_map

met = []
on_compiling(lambda: met.append(1), after_s=0.0, every_s=0.0)
drive(load_scene(shipped("scenes") / "guest_steps_out.toml"), Tuning(), seed=4, duration_s=8.0)
verdict_map(load_scene(shipped("scenes") / "lane_6m.toml"), Tuning(), x_m=[6.0, 9.0], y_m=[0.0, 1.0], progress=False)
print(len(met))
"""


@pytest.mark.slow
@pytest.mark.skipif(not jit_enabled(), reason="AVOIDKIT_JIT=0: nothing is compiled")
def test_a_drive_and_a_map_after_compiling_compile_nothing(tmp_path):
    here = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    made = subprocess.run([sys.executable, "-m", "avoidkit.cli", "compile"], env=here, capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    assert made.stdout.splitlines()[-1].endswith("drives and maps start at once from now on")
    assert all(f"  {name}: " in made.stdout for name in compiling.PARTS)
    after = subprocess.run([sys.executable, "-c", AFTERWARDS], env=here, capture_output=True, text=True)
    assert after.stdout == "0\n", after.stdout + after.stderr


def test_the_made_scans_take_a_tracker_through_the_life_of_tracks():
    tuning = Tuning()
    tracker, met = Tracker(tuning), set()
    for ego, scans, _ in compiling._made(tuning):
        tracks = tracker.step(scans, ego)
        met |= set(tracks.stage.tolist())
    assert met >= {Stage.TENTATIVE, Stage.CONFIRMED, Stage.POSSIBLE}
    walker = tracks.state[tracks.stage == Stage.CONFIRMED]
    assert np.hypot(walker[:, 0] - 7.0, walker[:, 1] - (-3.0 + 1.3 * ego.time_s)).min() < 0.3


def test_each_part_is_told_as_it_is_done_and_a_whole_drive_comes_last(monkeypatch):
    done, told = [], []
    monkeypatch.setattr(compiling, "_in_parts", lambda workers: iter(("one", "two")))
    monkeypatch.setattr(compiling, "_whole", lambda: done.append(tuple(told)))
    found = compiling.compile_all(1, tell=lambda name, s: told.append(name))
    assert done == [("one", "two")]
    assert (found.workers, found.left) == (1, 0)


@pytest.mark.slow
@pytest.mark.skipif(not jit_enabled(), reason="AVOIDKIT_JIT=0: nothing is compiled")
def test_what_a_drive_has_to_compile_for_want_of_a_cache_is_counted(tmp_path):
    code = (
        "from avoidkit.studies import compiling\n"
        "compiling._in_parts = lambda workers: iter(())\n"
        "print(compiling.compile_all().left > 0)"
    )
    here = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "empty")}
    made = subprocess.run([sys.executable, "-c", code], env=here, capture_output=True, text=True)
    assert made.stdout == "True\n", made.stderr


@pytest.mark.parametrize(
    ("left", "said"), [(0, "drives and maps start at once from now on"), (3, "NUMBA_CACHE_DIR names one")]
)
def test_the_command_says_whether_what_was_compiled_is_kept(left, said, monkeypatch, capsys):
    monkeypatch.setenv("AVOIDKIT_JIT", "1")
    found = compiling.Compiled(21.4, 2, left)
    monkeypatch.setattr(compiling, "compile_all", lambda workers, tell: (tell("tracking", 12.0), found)[1])
    assert main(["compile"]) == 0
    told = capsys.readouterr().out
    assert "  tracking: 12 s\n" in told
    assert "done in 21 s on 2 processes; " in told
    assert said in told


def test_the_command_has_nothing_to_do_without_compiled_loops_and_refuses_no_processes(monkeypatch, capsys):
    assert main(["compile", "--workers", "0"]) == 2
    assert "--workers must be at least 1, got 0" in capsys.readouterr().err
    monkeypatch.setenv("AVOIDKIT_JIT", "0")
    assert main(["compile"]) == 0
    assert "nothing to compile" in capsys.readouterr().out
