"""A slice of a recording is a recording: exact situations, its own file, tables and arrays."""

import numpy as np
import pytest

from avoidkit import Tracker, load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.drive import drive
from avoidkit.recording import load_recording
from tests.made_rows import differences


@pytest.fixture(scope="module")
def whole(tuning, tmp_path_factory):
    """A drive of six seconds past somebody, on disk: several checkpoints, and cycles between them."""
    scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    return drive(scene, tuning, seed=5, duration_s=6.0, out=tmp_path_factory.mktemp("drive") / "run.parquet")


def test_a_slice_holds_the_rows_between_with_both_ends(whole):
    part = whole.between(2.5, 4.0)
    assert (part.times_s[0], part.times_s[-1], len(part)) == (2.5, 4.0, 31)
    assert part.first_difference(part.between()) is None
    assert len(whole.between()) == len(whole)
    assert whole.between(to_s=1.0).times_s[-1] == 1.0


@pytest.mark.parametrize("from_s", [2.55, 3.95])  # neither has a checkpoint of its own
def test_situations_in_a_slice_are_those_of_the_whole(whole, from_s):
    part = whole.between(from_s, 5.0)
    for time_s in (from_s, 4.35, 5.0):
        assert differences(whole.situation(time_s), part.situation(time_s), f"at {time_s} s") == []


def test_a_slice_of_a_slice_is_as_exact(whole):
    part = whole.between(1.0, 5.0).between(2.55, 4.0)
    assert differences(whole.situation(3.3), part.situation(3.3)) == []


def test_a_slice_saved_loaded_and_saved_again_is_the_same_file(whole, tmp_path):
    first, second = tmp_path / "first.parquet", tmp_path / "second.parquet"
    part = whole.between(2.55, 4.0)
    part.save(first)
    again = load_recording(first)
    again.save(second)
    assert again.equals(part)
    assert first.read_bytes() == second.read_bytes()
    assert differences(whole.situation(2.55), again.situation(2.55)) == []
    assert "slice of a longer recording" in again._repr_html_()


def test_the_whole_saved_loaded_and_saved_again_is_the_same_file(whole, tmp_path):
    first, second = tmp_path / "first.parquet", tmp_path / "second.parquet"
    whole.save(first)
    load_recording(first).save(second)
    assert first.read_bytes() == second.read_bytes()


def test_a_stage_of_ones_own_is_replayed_from_the_first_row_of_the_slice(whole):
    seen = []

    class Noting(Tracker):
        def step(self, scans, ego):
            seen.append(ego.time_s)
            return super().step(scans, ego)

    whole.between(2.55, 4.0).situation(2.65, track=Noting)
    assert seen == pytest.approx([2.55, 2.6, 2.65])


def test_a_slice_without_rows_is_refused(whole):
    with pytest.raises(
        InputError, match=r"^from_s 7.0, to_s None: no recorded row lies between: rows are from 0 to 6 s$"
    ):
        whole.between(7.0)


def test_arrays_hold_what_the_rows_hold(whole):
    arrays = whole.to_numpy()
    np.testing.assert_array_equal(arrays["time_s"], whole.times_s)
    np.testing.assert_array_equal(arrays["speed_mps"], [row.ego.speed_mps for row in whole.rows])
    assert arrays["action"].tolist() == [str(row.verdict.action) for row in whole.rows]
    returns = arrays["returns"]
    assert len(returns) == sum(len(scan) for row in whole.rows for scan in row.scans)
    scan = next(scan for row in whole.rows for scan in row.scans if len(scan))
    mine = returns[(returns["sensor"] == scan.sensor) & (returns["taken_s"] == scan.taken_s)]
    np.testing.assert_array_equal(mine["range_m"], scan.range_m)
    row = max(whole.rows, key=lambda row: len(row.tracks))
    np.testing.assert_array_equal(
        arrays["tracks"]["x_m"][arrays["tracks"]["time_s"] == row.time_s], row.tracks.state[:, 0]
    )


def test_the_table_of_a_drive_has_no_column_of_assumptions(whole):
    assert "assumed" not in whole.to_pandas()
    assert whole.mark == ""
