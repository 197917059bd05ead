"""Foreign files are read in a child with limits: whatever is wrong with them is one clear error, and nothing else."""

import gzip
import json
import subprocess
import sys
import time
import zipfile

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.logs import child, read_log
from avoidkit.logs.child import Limits, read_samples
from tests import made_logs
from tests.conftest import ROOT
from tests.mutated_logs import blocks_mapping, small_log


def damaged(kind, count, seed):
    """What came of reading so many damaged logs, in a process of its own."""
    if kind == "mdf":
        pytest.importorskip("asammdf")
    command = [sys.executable, "-W", "error:::avoidkit", "-m", "tests.mutated_logs", kind, str(count), str(seed)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def check(said, count):
    assert said["other"] == []
    assert said["read"] + said["refused"] == count
    assert max(said["peak_mb"], said["own_peak_mb"]) < 500


@pytest.mark.parametrize(("kind", "count"), [("csv", 2), pytest.param("blocks", 8, marks=pytest.mark.slow), ("mdf", 1)])
def test_a_few_damaged_logs_are_read_or_refused_and_nothing_else(kind, count):
    check(damaged(kind, count, 11), count)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["csv", "blocks", "mdf"])
def test_sixty_damaged_logs_are_read_or_refused_and_nothing_else(kind):
    check(damaged(kind, 60, 7), 60)  # 300 of each: evidence, study `damaged_logs`


def request(path, text):
    path.write_text(text, encoding="utf-8")
    return {
        "format": "blocks",
        "wanted": [["", "a"]],
        "layout": {"separator": "---"},
        "time": ["t"],
        "factors": [[1, 0, 1]],
    }


def broken_reader(monkeypatch, code):
    """Let the child do something else than read, with its limits set."""
    start = f"import avoidkit.logs.child as c\ndef bad(order, limit):\n limit()\n {code}\nc._readers = bad\nc.main()"
    run = subprocess.run

    def instead(command, **options):
        return run([command[0], "-c", start, command[3]], **options)

    monkeypatch.setattr(child.subprocess, "run", instead)


@pytest.mark.parametrize(
    ("code", "message"),
    [
        ("while True: pass", "its reader broke down: it took over 1 s of computing"),
        ("import time; time.sleep(60)", "its reader was stopped after 1 s"),
        ("x = [bytearray(10**6) for _ in range(10**5)]", "its content takes over 50 MB of memory"),
        ("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)", "its reader broke down: exit code -11"),
        ("import os; os._exit(0)", "its reader broke down"),
        ("raise KeyError('left')", "KeyError: 'left'"),
        ("open(__import__('sys').argv[1] + '/f', 'wb').truncate(2 * 1024**3)", "File too large|too large"),
        ("print('x' * 10**6)\n raise ValueError('a' * 10**5)", "ValueError: aaaa"),
    ],
)
def test_a_reader_that_loops_sleeps_swells_or_crashes_is_one_error(monkeypatch, tmp_path, code, message):
    order = request(tmp_path / "log.txt", "t: 1\na: 2\n")
    broken_reader(monkeypatch, code)
    with pytest.raises(InputError, match=message) as refused:
        read_samples(tmp_path / "log.txt", order, Limits(1, 50, 1.0 if "sleep" in code else 60.0))
    assert str(refused.value).startswith(f"{tmp_path / 'log.txt'}: cannot be read: ")
    assert len(str(refused.value)) < 800


def test_packed_files_are_not_unpacked(tmp_path):
    mapping = made_logs.mapping("csv")
    with gzip.open(tmp_path / "bomb.csv", "wb") as file:
        file.write(b"0," * 5_000_000)
    with zipfile.ZipFile(tmp_path / "bomb.mf4", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../out.mf4", b"\0" * 50_000_000)
    with pytest.raises(InputError, match="is not text in utf-8"):
        read_log(tmp_path / "bomb.csv", mapping)
    pytest.importorskip("asammdf")
    with pytest.raises(InputError, match=r"is not an MDF file: its first bytes are b'PK"):
        read_log(tmp_path / "bomb.mf4", made_logs.mapping("mdf"))
    assert not (tmp_path.parent / "out.mf4").exists()


@pytest.mark.slow
def test_a_packed_block_in_an_mdf_file_that_swells_is_stopped(tmp_path):
    asammdf = pytest.importorskip("asammdf")
    n = 60_000_000  # 480 MB of zeros, a few hundred kB when packed
    mdf = asammdf.MDF(version="4.10")
    zeros = np.zeros(n, np.uint8)
    mdf.append([asammdf.Signal(zeros, np.arange(n, dtype=np.float64), name="Pace")], common_timebase=True)
    mdf.append([asammdf.Signal(zeros, np.arange(n, dtype=np.float64), name="Swing")], common_timebase=True)
    mdf.save(tmp_path / "bomb.mf4", compression=2)
    mdf.close()
    wanted = {"format": "mdf", "wanted": [["", "Pace"], ["", "Swing"]], "databases": []}
    with pytest.raises(InputError, match=r"memory|too large|too much|it took over"):
        read_samples(tmp_path / "bomb.mf4", wanted, Limits(5, 200, 60.0))


def test_a_formula_in_an_mdf_file_is_not_evaluated(tmp_path):
    asammdf = pytest.importorskip("asammdf")
    from asammdf.blocks.v4_blocks import ChannelConversion

    t = np.arange(0.0, 1.0, 0.05)
    formula = ChannelConversion(conversion_type=3, formula="X1 * 2")
    formula.formula = "__import__('os').system('touch /tmp/avoidkit_was_here')"
    mdf = asammdf.MDF(version="4.10")
    mdf.append([asammdf.Signal(np.ones(20), t, name="Pace", conversion=formula)], common_timebase=True)
    mdf.save(tmp_path / "formula.mf4")
    wanted = {"format": "mdf", "wanted": [["", "Pace"]], "databases": []}
    with pytest.raises(InputError, match="channel 'Pace' is given by a formula, and nothing in a file is evaluated"):
        read_samples(tmp_path / "formula.mf4", wanted)


def test_two_lines_an_hour_apart_do_not_fill_the_memory(tmp_path):
    path = tmp_path / "hour.txt"
    path.write_text("".join(f"s: {s}\nns: 0\nn: 0\nfar: 1\nside: 0\npace: 0\n---\n" for s in (0, 3000)))
    begun = time.monotonic()
    with pytest.raises(InputError, match=r"nothing was logged from 0.00 to 3000.00 s"):
        read_log(path, blocks_mapping())
    assert time.monotonic() - begun < 30


def test_a_newer_or_older_mdf_is_named(tmp_path):
    pytest.importorskip("asammdf")
    path, mapping = small_log("mdf", tmp_path)
    sound = path.read_bytes()
    path.write_bytes(sound[:8] + b"3.30    " + sound[16:])
    with pytest.raises(InputError, match=r"is MDF 3.30, version 4 was wanted$"):
        read_log(path, mapping)


def test_the_child_leaves_nothing_behind(tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr(child.tempfile, "tempdir", None)
    folder = tmp_path / "logs"
    folder.mkdir()
    path, mapping = small_log("csv", folder)
    read_log(path, mapping)
    assert [file.name for file in tmp_path.iterdir()] == ["logs"]
