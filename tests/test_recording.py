"""What goes into a recording comes out of it, and two recordings are compared by what counts."""

import dataclasses
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.paths import path_from_legs
from avoidkit.people import People
from avoidkit.recording import COLUMNS, Recording, description, load_recording
from avoidkit.recording import store as stores
from avoidkit.recording.checkpoints import pack_checkpoint, unpack_checkpoint
from avoidkit.recording.columns import schema
from avoidkit.recording.packing import PathBook, to_batch
from avoidkit.recording.unpacking import to_rows
from avoidkit.sensing.records import Echoes, Scan
from avoidkit.tracking.records import Tracks
from avoidkit.vehicle import Ego
from avoidkit.verdict import Action, Check, Hold, Memory, Turn
from tests.made_rows import DETOUR, differences, made_checkpoint, made_row, made_rows, made_scene, record

SCENE = made_scene()


@pytest.fixture(scope="module")
def rows():
    return made_rows(130, scene=SCENE)


@pytest.fixture(scope="module")
def saved(rows, tmp_path_factory):
    """A file of 130 rows, 6.5 s."""
    path = tmp_path_factory.mktemp("made") / "run.parquet"
    record(path, rows, SCENE)
    return path


# ---- nothing is lost ----


def test_every_field_of_every_row_comes_back(rows, saved):
    recording = load_recording(saved)
    assert len(recording) == 130
    assert [d for i, row in enumerate(rows) for d in differences(row, recording.rows[i], f"row {i}")] == []


@given(seed=st.integers(0, 2**31))
@settings(max_examples=25)
def test_any_row_comes_back_from_its_packed_form(seed):
    book = PathBook()
    row = made_row(1.0, np.random.default_rng(seed), reference=SCENE.reference)
    batch = to_batch([(row, (), None)], book)
    assert differences(row, to_rows(batch, book)[0]) == []


def test_scene_tuning_seed_and_reason_come_back(saved):
    recording = load_recording(saved)
    assert (recording.scene, recording.seed, recording.ended) == (SCENE, 3, "duration")
    assert recording.tuning.differ(type(recording.tuning)()) == {}
    assert {"avoidkit", "python", "numpy", "machine"} <= set(recording.versions)


def test_a_changed_tuning_and_a_rich_scene_come_back(tmp_path, tuning):
    changed = tuning.replace({"decision.clearance_m": 0.1 + 0.2, "name": 'with "quotes" and\nlines'})
    scene = SCENE.replace({"title": "Höfe, 3 € — ende"}).with_person("Bo", (10.0, 4.0), (0.0, 0.7))
    recording = record(tmp_path / "run.parquet", made_rows(3), scene, tuning=changed)
    assert recording.tuning == changed
    assert recording.scene == scene


def test_save_load_save_gives_the_same_bytes(saved, tmp_path):
    once, twice = tmp_path / "once.parquet", tmp_path / "twice.parquet"
    load_recording(saved).save(once)
    load_recording(once).save(twice)
    assert saved.read_bytes() == once.read_bytes() == twice.read_bytes()


def test_in_memory_and_on_disk_are_the_same_recording(rows, saved, tmp_path):
    in_memory = record(None, rows, SCENE)
    assert in_memory.equals(load_recording(saved))
    in_memory.save(tmp_path / "run.parquet")
    assert (tmp_path / "run.parquet").read_bytes() == saved.read_bytes()


def test_a_recording_without_rows_is_one(tmp_path):
    recording = record(tmp_path / "run.parquet", [], SCENE)
    assert (len(recording), recording.duration_s, recording.checkpoints) == (0, 0.0, {})
    assert len(recording.to_pandas()) == 0
    assert recording.equals(record(None, [], SCENE))
    with pytest.raises(InputError, match=r"^time_s 0.0 lies before the recording: there are no rows$"):
        recording.row_at(0.0)


def test_a_covariance_that_is_not_symmetric_is_not_made_so():
    row = made_rows(1, seed=2)[0]
    covariance = np.arange(16.0).reshape(1, 4, 4)
    lone = dataclasses.replace(row.tracks.where([0]), covariance=covariance)
    book = PathBook()
    back = to_rows(to_batch([(dataclasses.replace(row, tracks=lone), (), None)], book), book)[0]
    np.testing.assert_array_equal(back.tracks.covariance, covariance)


def test_two_different_paths_of_one_name_are_both_kept(tmp_path):
    other = path_from_legs(Pose(0, 0, 0), [(1, [(4.0, 0.4)])], name=DETOUR.name)
    first, second = made_rows(2)
    along = dataclasses.replace(first.verdict, action=Action.DETOUR, path=DETOUR)
    besides = dataclasses.replace(second.verdict, action=Action.DETOUR, path=other)
    rows = [dataclasses.replace(first, verdict=along), dataclasses.replace(second, verdict=besides)]
    recording = record(tmp_path / "run.parquet", rows, SCENE)
    assert list(recording.paths) == ["reference", "detour 1", "detour 1 (2)"]
    assert differences(recording.rows[1].verdict.path, other) == []
    assert recording.rows[1].verdict.path.length_m == 4.0


# ---- comparing ----


def test_computing_times_are_no_part_of_the_comparison(rows):
    slower = [dataclasses.replace(row, stage_ms={"track": 99.0}) for row in rows]
    assert record(None, rows, SCENE).equals(record(None, slower, SCENE))


@pytest.mark.parametrize(
    ("column", "change"),
    [
        ("gap_m", {"gap_m": 0.123}),
        ("error", {"error": "ValueError: other"}),
        ("along_m", {"along_m": math.nextafter(5.0, 6.0)}),
        ("hold", {"hold": Hold(True, 1.0, 2.0)}),
        ("scans", {"scans": ()}),
    ],
)
def test_a_single_changed_value_is_found(rows, column, change):
    rows = [dataclasses.replace(row, along_m=5.0, gap_m=1.0) for row in rows]
    changed = [*rows[:101], dataclasses.replace(rows[101], **change), *rows[102:]]
    one, other = record(None, rows, SCENE), record(None, changed, SCENE)
    assert not one.equals(other)
    assert one.first_difference(other) == (rows[101].time_s, column)


def test_a_missing_last_row_is_a_difference(rows):
    one, other = record(None, rows, SCENE), record(None, rows[:-1], SCENE)
    assert not one.equals(other)
    assert one.first_difference(other) == (rows[-1].time_s, "time_s")
    assert one.first_difference(one) is None


# ---- asking ----


def test_row_at_is_the_last_row_at_or_before_a_time(saved):
    recording = load_recording(saved)
    assert recording.row_at(1.0).time_s == pytest.approx(1.0)
    assert recording.row_at(1.049).time_s == pytest.approx(1.0)
    assert recording.row_at(999.0).time_s == recording.times_s[-1]
    with pytest.raises(InputError, match=r"^time_s -0.1 lies before the recording: the first row is at 0.0 s$"):
        recording.row_at(-0.1)
    with pytest.raises(InputError, match=r"^time_s must be finite, got nan$"):
        recording.row_at(math.nan)


def test_times_actions_and_the_flat_table_agree_with_the_rows(rows, saved):
    recording = load_recording(saved)
    assert recording.times_s.tolist() == [row.time_s for row in rows]
    assert recording.actions.tolist() == [str(row.verdict.action) for row in rows]
    table = recording.to_pandas()
    assert table["time_s"].tolist() == [row.time_s for row in rows]
    assert table["returns"].tolist() == [sum(len(scan) for scan in row.scans) for row in rows]
    assert table["tracks"].tolist() == [len(row.tracks) for row in rows]


def test_only_the_rows_that_are_asked_for_are_decoded(tmp_path, monkeypatch):
    record(tmp_path / "run.parquet", made_rows(900), SCENE)
    decoded = []
    monkeypatch.setattr(stores, "to_rows", lambda table, *more: decoded.append(table.num_rows) or to_rows(table, *more))
    recording = load_recording(tmp_path / "run.parquet")
    assert (len(recording), decoded) == (900, [])
    assert recording.rows[850].time_s == pytest.approx(42.5)
    assert recording.rows[-1].time_s == pytest.approx(44.95)
    assert decoded == [100]
    assert [row.time_s for row in recording.rows[399:401]] == pytest.approx([19.95, 20.0])
    with pytest.raises(IndexError):
        recording.rows[900]


def test_the_short_form_in_a_notebook_escapes_what_it_shows(rows):
    scene = SCENE.replace({"name": "<b>yard</b>"})
    text = record(None, rows, scene)._repr_html_()
    assert "&lt;b&gt;yard" in text
    assert "<b>yard" not in text
    assert isinstance(record(None, rows, scene), Recording)


# ---- checkpoints ----


def test_checkpoints_come_back_at_their_rows(saved):
    found = load_recording(saved).checkpoints
    assert list(found) == [0, 40, 80, 120]
    assert differences(found[80], made_checkpoint(80)) == []


def test_a_checkpoint_of_anything_but_numbers_and_plain_values_is_refused():
    with pytest.raises(
        InputError, match=r"^checkpoint\.a\[1\]: arrays of numbers and plain values were wanted, got set"
    ):
        pack_checkpoint({"a": [1, {2}]})
    with pytest.raises(InputError, match=r"^checkpoint\.a: .* got ndarray$"):
        pack_checkpoint({"a": np.array([object()])})
    with pytest.raises(InputError, match=r"^checkpoint: .* got dict$"):
        pack_checkpoint({1: 2})


def test_a_checkpoint_that_holds_a_pickle_is_never_opened():
    import io

    class Planted:
        def __reduce__(self):
            return (exec, ("raise SystemExit('executed')",))

    archive = io.BytesIO()
    np.savez(archive, structure=np.array([Planted()], dtype=object))
    with pytest.raises(InputError, match=r"^checkpoint: is damaged: Object arrays cannot be loaded"):
        unpack_checkpoint(archive.getvalue())


@given(st.binary(max_size=200))
def test_bytes_that_are_no_checkpoint_are_refused(data):
    with pytest.raises(InputError, match=r"^checkpoint: is damaged: "):
        unpack_checkpoint(data)


# ---- the columns ----


def names_in(record):
    return {field.name for field in dataclasses.fields(record)}


def columns_in(name):
    return {column.name.removeprefix(f"{name}.") for column in COLUMNS if column.name.startswith(f"{name}.")}


def test_every_field_of_the_records_has_a_column():
    assert columns_in("memory") == names_in(Memory)
    assert columns_in("checks") == names_in(Check)
    assert columns_in("turn") == names_in(Turn)
    assert columns_in("hold") == names_in(Hold)
    assert columns_in("scans") == names_in(Scan)
    assert columns_in("echoes") == names_in(Echoes)
    pose = {"x_m", "y_m", "yaw_rad"}
    assert columns_in("ego") == (names_in(Ego) - {"pose"}) | pose
    state = {"id", "x_m", "y_m", "vx_mps", "vy_mps"}
    assert columns_in("tracks") == (names_in(Tracks) - {"time_s", "ids", "state"}) | state
    spread = {"name", "x_m", "y_m", "vx_mps", "vy_mps"}
    assert columns_in("people") == (names_in(People) - {"time_s", "names", "xy", "velocity"}) | spread


def test_every_column_says_what_it_is_and_in_what_unit():
    assert len({column.name for column in COLUMNS}) == len(COLUMNS)
    assert all(column.doc for column in COLUMNS)
    for ending, unit in (("_m", "m"), ("_s", "s"), ("_mps", "m/s"), ("_rad", "rad"), ("_db", "dB"), ("_1pm", "1/m")):
        assert {column.unit for column in COLUMNS if column.name.endswith(ending)} == {unit}, ending
    text = description()
    assert all(column.name in text for column in COLUMNS)


def test_units_and_meanings_travel_in_the_file(saved):
    import pyarrow.parquet as pq

    found = pq.read_schema(saved)
    assert found.field("gap_m").metadata[b"unit"] == b"m"
    assert found.field("tracks").type.value_type.field("vx_mps").metadata[b"unit"] == b"m/s"
    assert b"not evidence of safety" in pq.read_metadata(saved).metadata[b"avoidkit.cautions"]
    assert found.names == schema().names


def test_pandas_reads_a_finished_file_without_the_kit(saved, tmp_path):
    code = (
        "import sys, pandas\n"
        f"table = pandas.read_parquet({str(saved)!r})\n"
        "assert not [name for name in sys.modules if name.startswith('avoidkit')]\n"
        "print(len(table), table.time_s.iloc[-1], len(table.scans.iloc[0]), sorted(table.ego.iloc[0]))\n"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, check=True).stdout
    first = load_recording(saved).rows[0]
    ego = ["speed_mps", "steering_rad", "time_s", "x_m", "y_m", "yaw_rad", "yaw_rate_radps"]
    assert out == f"130 {load_recording(saved).times_s[-1]} {len(first.scans)} {ego}\n"


# ---- files of earlier versions ----


def test_a_file_of_format_1_is_read_as_it_was_written():
    # Made once with format 1; the numbers were noted when it was made. Never make it anew: it stands for old files.
    recording = load_recording(Path(__file__).parent / "recordings" / "format_1.parquet")
    assert (recording.scene.name, recording.seed, recording.ended) == ("yard", 11, "duration")
    assert recording.actions.tolist() == ["halt", "wait", "wait", "detour", "halt", "continue"]
    assert [[len(scan) for scan in row.scans] for row in recording.rows] == [
        [20, 20],
        [],
        [21, 27, 7],
        [34, 1],
        [19],
        [22],
    ]
    assert [len(row.tracks) for row in recording.rows] == [2, 3, 1, 4, 5, 1]
    gaps = [3.317201289129989, 2.001757869343681, 0.2826010528663119, 4.338612011873179, 7.410516483964862]
    assert [row.gap_m for row in recording.rows][:5] == gaps
    assert recording.rows[2].scans[0].range_m[:3] == pytest.approx([3.947025, 6.904678, 10.510148], abs=1e-6)
    upper = [2.46737362, 1.51925926, 0.12408096, 5.26210513, -0.79777687, -0.1118366]
    assert recording.rows[3].tracks.covariance[0][np.triu_indices(4)][:6] == pytest.approx(upper, abs=1e-8)
    assert list(recording.paths) == ["reference", "detour 1"]
    assert recording.checkpoints[0]["tracker"]["never_s"] == math.inf
