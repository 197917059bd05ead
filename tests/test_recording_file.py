"""Files of recordings: cut off, left over, damaged, foreign, newer, too large; never half-written."""

import dataclasses
import math
import os
import random
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from avoidkit.checks import InputError
from avoidkit.recording import Recorder, columns, files, header, load_recording, mend, packing, unpacking
from avoidkit.recording import record as recording_module
from avoidkit.recording.columns import FORMAT_VERSION
from avoidkit.tuning import Tuning
from tests.made_rows import differences, made_rows, made_scene, record

SCENE = made_scene()
LONG_VAN = "tuning: vehicle.length_m: input should be less than or equal to 8, got 99"
ROOT = Path(__file__).absolute().parent.parent


@pytest.fixture(scope="module")
def rows():
    return made_rows(130, scene=SCENE)


@pytest.fixture(scope="module")
def whole(rows, tmp_path_factory):
    """The bytes of a finished file."""
    path = tmp_path_factory.mktemp("whole") / "run.parquet"
    record(path, rows, SCENE)
    return path.read_bytes()


@pytest.fixture(scope="module")
def stream(rows, tmp_path_factory):
    """The bytes of a `.part` after 130 rows, flushed but not ended."""
    path = tmp_path_factory.mktemp("stream") / "run.parquet"
    recorder = Recorder(path, SCENE, Tuning(), 3)
    for row in rows:
        recorder.add(row, [SCENE.reference])
    return Path(f"{path}.part").read_bytes()


def written(path, data):
    path.write_bytes(data)
    return path


def complaint(path):
    """The message that opening and reading a file ends with; None where all goes well."""
    try:
        recording = load_recording(path)
        recording.summary()
        _ = recording.checkpoints
    except InputError as error:
        return str(error)[:600]
    return None


# ---- a drive that is cut off ----


def lose(path, seed, rows_first):
    """Record in a child, kill it without warning after some rows; the time of the last row it took in."""
    command = [sys.executable, "-m", "tests.writing_child", str(path), str(seed)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as child:
        last_s = 0.0
        for _, line in zip(range(rows_first), child.stdout, strict=False):
            last_s = float(line)
        os.kill(child.pid, signal.SIGKILL)
        said = [float(line) for line in child.stdout if line.endswith("\n")]
        child.wait()
    assert child.returncode == -signal.SIGKILL
    return said[-1] if said else last_s


@pytest.mark.parametrize("seed", [0, 1, *(pytest.param(k, marks=pytest.mark.slow) for k in range(2, 10))])
def test_a_killed_process_loses_at_most_the_last_two_seconds(seed, tmp_path):
    path = tmp_path / "run.parquet"
    taken_in_s = lose(path, seed, random.Random(seed).randrange(5, 700))
    assert not path.exists()
    recording = load_recording(f"{path}.part")
    assert recording.ended == "cut off"
    assert taken_in_s - recording.times_s[-1] <= 2.0
    expected = made_rows(len(recording), seed=seed, scene=SCENE)
    assert differences(expected[-1], recording.rows[-1]) == []
    assert mend(f"{path}.part") == path
    assert load_recording(path).equals(recording)


def test_a_stream_cut_anywhere_gives_back_every_whole_batch(stream, rows, tmp_path):
    found = []
    for size in np.linspace(len(stream) // 3, len(stream), 12).astype(int):
        path = written(tmp_path / "run.parquet.part", stream[:size])
        message = complaint(path)
        found.append(0 if message else len(load_recording(path)))
    assert found == sorted(found)
    assert found[-1] == 121  # 130 rows are 6.45 s; the last batch was flushed with the row at 6.0 s
    assert differences(rows[:121], list(load_recording(path).rows)) == []


def test_a_stream_cut_before_its_first_row_says_so(stream, tmp_path):
    path = written(tmp_path / "run.parquet.part", stream[:500])
    assert complaint(path) == f"{path}: was cut off before anything was recorded, nothing can be read"


def test_mending_leaves_a_parquet_of_the_same_content_and_no_part(stream, rows, tmp_path):
    part = written(tmp_path / "run.parquet.part", stream[:-100])
    before = load_recording(part)
    assert mend(part) == tmp_path / "run.parquet"
    assert os.listdir(tmp_path) == ["run.parquet"]
    assert before.equals(load_recording(tmp_path / "run.parquet"))


def test_mending_replaces_nothing(stream, whole, tmp_path):
    part, path = written(tmp_path / "run.parquet.part", stream), written(tmp_path / "run.parquet", whole)
    with pytest.raises(InputError, match=r"run\.parquet: is there already; move it away first$"):
        mend(part)
    with pytest.raises(InputError, match=r"run\.parquet: has nothing to mend: its name does not end with \.part$"):
        mend(path)
    assert (part.read_bytes(), path.read_bytes()) == (stream, whole)


def test_a_drive_broken_off_by_an_exception_is_a_finished_file(rows, tmp_path):
    def drive_and_break_off():
        with Recorder(tmp_path / "run.parquet", SCENE, Tuning(), 3) as recorder:
            for row in rows[:55]:
                recorder.add(row, [SCENE.reference])
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        drive_and_break_off()
    assert os.listdir(tmp_path) == ["run.parquet"]
    recording = load_recording(tmp_path / "run.parquet")
    assert (len(recording), recording.ended) == (55, "broken off: KeyboardInterrupt")


# ---- never half-written, never written over ----


def test_an_older_file_stays_until_the_new_one_is_whole(rows, whole, tmp_path):
    path = written(tmp_path / "run.parquet", whole)
    recorder = Recorder(path, SCENE, Tuning(), 4)
    recorder.add(rows[0], [SCENE.reference])
    assert path.read_bytes() == whole
    recorder.close("duration")
    assert (len(load_recording(path)), load_recording(path).seed) == (1, 4)


def test_a_disk_that_is_full_leaves_the_old_file_and_no_fragment(rows, whole, tmp_path, monkeypatch):
    path = written(tmp_path / "run.parquet", whole)
    recording = record(None, rows, SCENE)

    def full(self, table, **more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pq.ParquetWriter, "write_table", full)
    with pytest.raises(InputError, match=r"run\.parquet: cannot be written: No space left on device$"):
        recording.save(path)
    assert os.listdir(tmp_path) == ["run.parquet"]
    assert path.read_bytes() == whole


def test_a_left_over_stream_is_not_written_over(stream, tmp_path):
    part = written(tmp_path / "run.parquet.part", stream)
    wanted = (
        f"{part}: is left over from a drive that was cut off, or is being written now: "
        f"turn it into a recording with `avoidkit check --mend {part}`, or delete it"
    )
    with pytest.raises(InputError) as caught:
        Recorder(tmp_path / "run.parquet", SCENE, Tuning(), 3)
    assert str(caught.value) == wanted
    assert part.read_bytes() == stream


def test_a_place_that_cannot_be_written_is_named_before_anything_is_driven(tmp_path):
    with pytest.raises(InputError, match=r"run\.parquet: there is no folder .*nowhere$"):
        Recorder(tmp_path / "nowhere" / "run.parquet", SCENE, Tuning(), 3)
    with pytest.raises(InputError, match=r": is a folder, a file name was wanted$"):
        Recorder(tmp_path, SCENE, Tuning(), 3)


def test_rows_must_grow_in_time(rows):
    recorder = Recorder(None, SCENE, Tuning(), 3)
    recorder.add(rows[1])
    with pytest.raises(InputError, match=r"^row.time_s must grow, got 0.0 after 0.05$"):
        recorder.add(rows[0])


# ---- files that are something else ----


def test_files_that_are_no_recordings_are_named(whole, tmp_path):
    missing = tmp_path / "none.parquet"
    assert complaint(missing) == f"{missing}: no such file"
    assert complaint(tmp_path) == f"{tmp_path}: is a folder, a recording was wanted"
    empty = written(tmp_path / "empty.parquet", b"")
    assert complaint(empty) == f"{empty}: is empty"
    text = written(tmp_path / "text.parquet", b"once upon a time")
    assert complaint(text) == f"{text}: is not a recording: neither a Parquet file nor the stream of a drive under way"
    pq.write_table(pa.table({"a": [1]}), tmp_path / "other.parquet")
    foreign = tmp_path / "other.parquet"
    assert complaint(foreign) == f"{foreign}: is not a recording of avoidkit: its metadata has no avoidkit.format"


def test_a_missing_recording_with_a_left_over_stream_is_pointed_to(stream, tmp_path):
    part = written(tmp_path / "run.parquet.part", stream)
    path = tmp_path / "run.parquet"
    hint = f"there is {part}, which `avoidkit check --mend {part}` turns into a recording"
    assert complaint(path) == f"{path}: no such file; {hint}"


@pytest.mark.parametrize("share", [0.001, 0.1, 0.5, 0.9, 0.999])
def test_a_truncated_parquet_says_so(whole, tmp_path, share):
    path = written(tmp_path / "run.parquet", whole[: int(len(whole) * share)])
    assert complaint(path) == f"{path}: is cut off: the end of the Parquet file is missing"


def with_metadata(whole, path, **changes):
    """The same file with some of its own metadata changed, None: taken out."""
    path.write_bytes(whole)
    table = pq.read_table(path)
    metadata = {name: value for name, value in pq.read_metadata(path).metadata.items() if name != b"ARROW:schema"}
    for name, value in changes.items():
        metadata.pop(f"avoidkit.{name}".encode())
        if value is not None:
            metadata[f"avoidkit.{name}".encode()] = value.encode()
    pq.write_table(table.replace_schema_metadata(metadata), path)
    return path


def test_a_recording_from_a_newer_version_is_refused(whole, tmp_path):
    path = with_metadata(whole, tmp_path / "run.parquet", format=str(FORMAT_VERSION + 1))
    assert complaint(path) == (
        f"{path}: was written by a newer avoidkit: format {FORMAT_VERSION + 1}, "
        f"this one reads up to {FORMAT_VERSION}; update avoidkit"
    )


CAME_LATER = {"memory.search_after_s": -math.inf, "tracks.hits": 0, "gap_m": math.inf, "checks.about": ""}


@pytest.fixture
def older(rows, tmp_path, monkeypatch):
    """A finished file and a stream of format 1, while the kit has gone on to format 2 with some columns more."""
    changed = [
        dataclasses.replace(column, since=2, absent=CAME_LATER[column.name]) if column.name in CAME_LATER else column
        for column in columns.COLUMNS
    ]
    monkeypatch.setattr(columns, "COLUMNS", changed)
    with monkeypatch.context() as before:
        for module in (files, packing):
            before.setattr(module, "schema", lambda metadata=None: columns.schema(metadata, version=1))
        recorder = Recorder(tmp_path / "cut.parquet", SCENE, Tuning(), 3)
        for row in rows[:41]:
            recorder.add(row, [SCENE.reference])
        record(None, rows[:41], SCENE, checkpoints=False).save(tmp_path / "run.parquet")
    for module in (files, header, recording_module, unpacking):
        monkeypatch.setattr(module, "FORMAT_VERSION", 2)
    return tmp_path / "run.parquet", tmp_path / "cut.parquet.part"


def as_of_format_1(row):
    """What a row is worth when it was written before the later columns."""
    checks = tuple(dataclasses.replace(check, about="") for check in row.verdict.checks)
    memory = dataclasses.replace(row.verdict.memory, search_after_s=-math.inf)
    tracks = dataclasses.replace(row.tracks, hits=np.zeros(len(row.tracks), int))
    verdict = dataclasses.replace(row.verdict, checks=checks, memory=memory)
    return dataclasses.replace(row, tracks=tracks, verdict=verdict, gap_m=math.inf)


def test_files_of_an_older_format_are_read_with_what_came_later_filled_in(older, rows):
    for path in older:
        recording = load_recording(path)
        assert differences([as_of_format_1(row) for row in rows[:41]], list(recording.rows)) == []


def test_saving_and_mending_bring_an_older_file_up_to_date(older, tmp_path):
    path, part = older
    recording = load_recording(path)
    recording.save(tmp_path / "saved.parquet")
    mended = mend(part)
    for newer in (tmp_path / "saved.parquet", mended):
        assert pq.read_metadata(newer).metadata[b"avoidkit.format"] == b"2"
        assert "gap_m" in pq.read_schema(newer).names
        assert load_recording(newer).equals(recording)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"format": "two"}, "avoidkit.format: a whole number was wanted, got 'two'"),
        ({"seed": None}, "is damaged: avoidkit.seed is missing from its metadata"),
        ({"seed": "many"}, "is damaged: its metadata cannot be read: invalid literal for int() with base 10: 'many'"),
        ({"versions": "[]"}, "is damaged: avoidkit.versions is not a table"),
        ({"tuning": "cycle_s = nan"}, "tuning: cycle_s: input should be a finite number, got nan"),
        ({"tuning": "[vehicle]\nlength_m = 99"}, LONG_VAN),
    ],
)
def test_metadata_that_does_not_fit_is_named(whole, tmp_path, changes, message):
    path = with_metadata(whole, tmp_path / "run.parquet", **changes)
    assert complaint(path) == f"{path}: {message}"


def test_parameters_that_came_or_went_since_are_noted(whole, tmp_path):
    path = tmp_path / "run.parquet"
    path.write_bytes(whole)
    text = pq.read_metadata(path).metadata[b"avoidkit.tuning"].decode()
    assert load_recording(path).notes == ()
    other = text.replace("clearance_m = 0.2", "clearence_m = 0.3", 1).replace(
        "[vehicle]", "[sails]\nset = 2\n[vehicle]", 1
    )
    assert other.count("\nclearence_m = 0.3\n") == other.count("[sails]") == 1
    recording = load_recording(with_metadata(whole, path, tuning=other))
    assert recording.notes == (
        "tuning: sails is not known any more and was left out",
        "tuning: decision.clearence_m is not known any more and was left out",
        "tuning: decision.clearance_m did not exist then and has its default",
    )
    assert recording.tuning == Tuning()


def with_column(whole, path, name, values):
    """The same file with one column replaced, None: taken out."""
    path.write_bytes(whole)
    metadata, table = pq.read_metadata(path).metadata, pq.read_table(path)
    place = table.schema.get_field_index(name)
    table = table.remove_column(place)
    if values is not None:
        table = table.add_column(place, name, pa.array(values))
    own = {key: value for key, value in metadata.items() if key.startswith(b"avoidkit.")}
    pq.write_table(table.replace_schema_metadata(own), path)
    return path


def test_a_column_that_is_missing_or_of_another_kind_is_named(whole, tmp_path):
    path = with_column(whole, tmp_path / "run.parquet", "gap_m", None)
    assert complaint(path) == f"{path}: column gap_m is missing"
    path = with_column(whole, tmp_path / "run.parquet", "gap_m", ["x"] * 130)
    assert complaint(path) == f"{path}: column gap_m: double was wanted, got string"


def test_values_that_no_drive_can_have_are_refused(whole, tmp_path):
    path = with_column(whole, tmp_path / "run.parquet", "action", ["fly"] * 130)
    assert complaint(path) == f"{path}: is damaged: 'fly' is not a valid Action"
    path = with_column(whole, tmp_path / "run.parquet", "verdict_path", [99] * 130)
    assert complaint(path) == f"{path}: is damaged: verdict_path 99 names no path"
    path = with_column(whole, tmp_path / "run.parquet", "time_s", [float("nan")] * 130)
    assert complaint(path) == f"{path}: is damaged: time_s must be finite, got nan"


def test_files_beyond_the_limits_are_refused_before_they_are_read(whole, stream, tmp_path, monkeypatch):
    path = written(tmp_path / "run.parquet", whole)
    with monkeypatch.context() as m:
        m.setattr(files, "GREATEST_FILE_BYTES", 1000)
        assert complaint(path) == f"{path}: is too large: {len(whole) / 1e6:.0f} MB; at most 0 MB are read"
    for name in ("GREATEST_ROWS", "GREATEST_CONTENT_BYTES", "GREATEST_GROUP_BYTES"):
        with monkeypatch.context() as m:
            m.setattr(files, name, 100)
            assert f"{path}: is too large: 130 rows, " in complaint(path)
    part = written(tmp_path / "run.parquet.part", stream)
    monkeypatch.setattr(files, "GREATEST_GROUP_BYTES", 100)
    assert complaint(part) == f"{part}: is too large: 0 MB in one batch; at most 0 MB are read"


def mutated(data, seed):
    """The same bytes with a few of them changed, taken out or doubled."""
    rng = random.Random(seed)
    data = bytearray(data)
    for _ in range(rng.randrange(1, 6)):
        place = rng.randrange(4, len(data) - 4)
        kind = rng.randrange(3)
        if kind == 0:
            data[place] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del data[place : place + rng.randrange(1, 50)]
        else:
            data[place:place] = data[place : place + rng.randrange(1, 50)]
    return bytes(data)


@pytest.mark.parametrize("seed", [0, *(pytest.param(k, marks=pytest.mark.slow) for k in range(1, 15))])
def test_mutated_files_end_in_our_own_error_or_can_be_read(whole, stream, tmp_path, seed):
    refused = 0
    for k in range(20):
        for name, data in (("run.parquet", whole), ("run.parquet.part", stream)):
            path = written(tmp_path / name, mutated(data, 1000 * seed + k))
            refused += complaint(path) is not None
    assert refused > 10  # most changes are noticed; those inside a number cannot be
