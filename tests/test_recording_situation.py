"""What a decision looked at is rebuilt exactly from a recording, wherever one asks."""

import dataclasses
import os
import random

import pytest

from avoidkit import FreeSpace, Tracker, load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.decision import decide
from avoidkit.drive import drive
from avoidkit.recording import load_recording
from tests.made_rows import differences

DURATION_S = 4.0


@pytest.fixture(scope="module")
def driven(tuning, tmp_path_factory):
    """A drive past somebody who stands, on disk, and every situation that its decision saw."""
    return noted_drive("guest_stands_room", tuning, tmp_path_factory.mktemp("drive"), DURATION_S)


def noted_drive(name, tuning, folder, duration_s):
    seen = []

    def noting(situation, tuning):
        seen.append(_kept(situation))
        return decide(situation, tuning)

    scene = load_scene(shipped("scenes") / f"{name}.toml")
    out = folder / "run.parquet"
    drive(scene, tuning, seed=5, decide=noting, duration_s=duration_s, out=out)
    return out, seen


def _kept(situation):
    """The situation with a copy of its grid, which may be written on in the next cycle."""
    grid = situation.grid
    copies = {f.name: getattr(grid, f.name) for f in dataclasses.fields(grid)}
    copies = {name: value.copy() if hasattr(value, "copy") else value for name, value in copies.items()}
    return dataclasses.replace(situation, grid=dataclasses.replace(grid, **copies))


def some(n, count):
    """The first and the last of `n` cycles and others between, `count` in all."""
    return sorted({0, n - 1, *random.Random(7).sample(range(n), min(count, n) - 2)})


def test_the_situation_is_that_of_the_drive_field_by_field(driven):
    assert same_at(*driven, 12) == []


def test_all_situations_in_a_row_are_those_of_the_drive(driven):
    out, seen = driven
    again = load_recording(out).situations()
    assert [d for saw, rebuilt in zip(seen, again, strict=True) for d in differences(saw, rebuilt)] == []
    some_of_them = load_recording(out).situations(from_s=2.5, to_s=3.0)
    assert [round(situation.time_s, 9) for situation in some_of_them] == [round(2.5 + 0.05 * k, 9) for k in range(11)]


@pytest.mark.slow
def test_two_hundred_situations_are_those_of_the_drive(tuning, tmp_path):
    assert same_at(*noted_drive("guest_crosses", tuning, tmp_path, 12.0), 200) == []


def same_at(out, seen, count):
    """Every field of the rebuilt situations that differs from what the drive's decision saw."""
    recording = load_recording(out)
    assert len(seen) == len(recording) >= count
    asked = [(seen[i], recording.situation(seen[i].time_s)) for i in some(len(seen), count)]
    return [d for saw, rebuilt in asked for d in differences(saw, rebuilt, f"at {saw.time_s:.2f} s")]


def test_a_rebuilt_situation_gives_the_verdict_of_the_drive(driven):
    recording = load_recording(driven[0])
    for i in some(len(recording), 6):
        row = recording.rows[i]
        again = decide(recording.situation(row.time_s), recording.tuning)
        assert differences(row.verdict, again, f"cycle {i}") == []


def test_replay_from_the_start_gives_the_same_as_from_a_checkpoint(driven):
    recording = load_recording(driven[0])
    made = []

    def tracker(tuning):  # not the kit's own factory, so no checkpoint of it is used
        made.append(1)
        return Tracker(tuning)

    time_s = recording.times_s[60]
    from_start = recording.situation(time_s, track=tracker, map_space=lambda tuning: FreeSpace(tuning))
    assert made == [1]
    assert differences(recording.situation(time_s), from_start) == []


def test_a_situation_before_the_first_row_is_refused(driven):
    with pytest.raises(InputError, match=r"^time_s -1.0 lies before the recording: the first row is at 0.0 s$"):
        load_recording(driven[0]).situation(-1.0)


def test_a_driven_recording_stays_small(driven):
    # 3 MB for 20 s; a short drive has its share of that, and 0.2 MB for what every file needs
    assert os.path.getsize(driven[0]) < 3.0e6 * DURATION_S / 20.0 + 0.2e6


def test_a_drive_in_memory_and_one_on_disk_are_equal(driven, tuning, tmp_path):
    scene = load_recording(driven[0]).scene
    in_memory = drive(scene, tuning, seed=5, duration_s=1.0)
    on_disk = drive(scene, tuning, seed=5, duration_s=1.0, out=tmp_path / "run.parquet")
    assert in_memory.first_difference(on_disk) is None
    assert in_memory.equals(on_disk)
    assert not in_memory.equals(drive(scene, tuning, seed=6, duration_s=1.0))
