"""Compiled loops: the same numbers with and without compiling, also where no cache can be written."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import avoidkit

ROOT = Path(avoidkit.__file__).parent.parent

LOOP = """
import sys
import numpy as np
from avoidkit.jit import compiled

@compiled
def path_sum(x):
    total = 0.0
    for value in x:
        total += value * 0.1
    return total

print(repr(float(path_sum(np.arange(1000.0)))), "numba" in sys.modules)
"""


def _run(folder, **environment):
    script = folder / "loop.py"
    script.write_text(LOOP, encoding="utf-8")
    env = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    return subprocess.run([sys.executable, str(script)], capture_output=True, text=True, env=env, check=True)


def test_plain_python_gives_the_same_number_and_leaves_the_compiler_out(tmp_path):
    with_compiler = _run(tmp_path, AVOIDKIT_JIT="1").stdout.split()
    without = _run(tmp_path, AVOIDKIT_JIT="0").stdout.split()
    assert with_compiler[0] == without[0]
    assert with_compiler[1] == "True"
    assert without[1] == "False"


def test_a_loop_is_compiled_anew_when_a_file_changes_that_it_builds_on(tmp_path):
    package = tmp_path / "trial_loops"
    package.mkdir()
    (package / "__init__.py").touch()
    (package / "numbers.py").write_text("HALF = 0.5\n", encoding="utf-8")
    inner = "from avoidkit.jit import compiled\nfrom trial_loops.numbers import HALF\n"
    inner += "\n\n@compiled\ndef scaled(x):\n    return {} * HALF * x\n"
    outer = "from avoidkit.jit import compiled\nfrom trial_loops import inner\n"
    outer += "\n\n@compiled\ndef both(x):\n    return x + inner.scaled(x)\n"
    (package / "outer.py").write_text(outer, encoding="utf-8")
    (package / "inner.py").write_text(inner.format("1.0"), encoding="utf-8")

    def answer():
        code = "from trial_loops.outer import both; print(both(2.0), both.stats.cache_hits and 1)"
        env = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{tmp_path}", "AVOIDKIT_JIT": "1"}
        return subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True
        ).stdout.split()

    assert answer()[0] == "3.0"
    (package / "inner.py").write_text(inner.format("30.0"), encoding="utf-8")
    assert answer()[0] == "32.0"
    (package / "numbers.py").write_text("HALF = 5.0\n", encoding="utf-8")
    assert answer()[0] == "302.0"
    assert "1" in answer()[1]  # nothing has changed: it comes from the cache


def test_without_a_cache_folder_it_compiles_all_the_same_and_says_so_once():
    code = (
        "import numba\n"
        "real = numba.njit\n"
        "def no_cache(*a, **k):\n"
        "    if k.get('cache'):\n"
        "        return lambda f: (_ for _ in ()).throw(RuntimeError('cannot cache function: no locator available'))\n"
        "    return real(*a, **k)\n"
        "numba.njit = no_cache\n"
        "from avoidkit.jit import compiled\n"
        "def one(x):\n    return x + 1.0\n"
        "def two(x):\n    return x + 2.0\n"
        "print(compiled(one)(1.0), compiled(two)(1.0))\n"
    )
    env = {**os.environ, "AVOIDKIT_JIT": "1"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env, check=True, cwd=ROOT)
    assert done.stdout == "2.0 3.0\n"
    assert done.stderr == "avoidkit: no writable cache folder, loops are compiled anew in each process\n"


DRIVE = """
from avoidkit import Tuning, drive, load_scene, shipped
recording = drive(load_scene(shipped("scenes") / "guest_crosses.toml"), Tuning(), seed=3, duration_s=1.6)
for row in recording.rows:
    print(row.verdict.action, round(row.verdict.speed_cap_mps, 9), row.verdict.settled_by, row.tracks.ids.tolist())
"""


@pytest.mark.slow
def test_a_whole_drive_has_the_same_verdicts_with_and_without_compiling():
    said = []
    for jit in ("1", "0"):
        env = {**os.environ, "AVOIDKIT_JIT": jit}
        run = subprocess.run(
            [sys.executable, "-c", DRIVE], capture_output=True, text=True, env=env, cwd=ROOT, check=True
        )
        said.append(run.stdout.splitlines())
    assert len(said[0]) > 30
    assert any(line.startswith("continue") for line in said[0])
    assert said[0] == said[1]


SAYS = """
import io, sys
from avoidkit.jit import on_compiling, say_while_compiling
import avoidkit.jit as jit
import loop
said, told = io.StringIO(), []
stop = on_compiling(lambda: told.append(1), after_s=0.0, every_s=0.0)
jit.on_compiling, real = (lambda tell: real(tell, after_s=0.0)), jit.on_compiling
say_while_compiling(said)
loop.double(2.0)
first, text = len(told), said.getvalue()
loop.double(3.0)  # compiled by now
stop()
stop()
print(first > 0, len(told) == first, text.count("compiling its loops"))
"""


def test_who_waits_is_told_once_that_loops_are_compiled_and_nothing_where_they_come_from_the_cache(tmp_path):
    text = "from avoidkit.jit import compiled\n\n@compiled\ndef double(x):\n    return 2.0 * x\n"
    (tmp_path / "loop.py").write_text(text)
    env = {**os.environ, "PYTHONPATH": f"{tmp_path}:{ROOT}", "AVOIDKIT_JIT": "1", "NUMBA_CACHE_DIR": str(tmp_path)}
    command = [sys.executable, "-c", SAYS]
    runs = [subprocess.run(command, capture_output=True, text=True, env=env, check=True).stdout for _ in range(2)]
    assert runs == ["True True 1\n", "False True 0\n"]


def test_a_teller_that_raises_leaves_the_compiler_alone(tmp_path):
    loop = "from avoidkit.jit import compiled\n\n@compiled\ndef double(x):\n    return 2.0 * x\n"
    (tmp_path / "fresh_loop.py").write_text(loop)
    script = (
        "import io\nfrom avoidkit.jit import on_compiling, say_while_compiling\n"
        "gone = io.StringIO()\ngone.close()\n"
        "on_compiling(lambda: 1 / 0, after_s=0.0, every_s=0.0)\non_compiling(lambda: gone.write('x'), after_s=0.0)\n"
        "import fresh_loop\nprint(fresh_loop.double(4.0))\n"
    )
    environment = os.environ | {
        "PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}",
        "NUMBA_CACHE_DIR": str(tmp_path / "cache"),
    }
    done = subprocess.run([sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.strip()) == (0, "8.0"), done.stderr
