"""Logs that other people measured, read through mapping files, written out and read again."""

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.logs import export_log, found_from, play, read_log
from avoidkit.logs.child import read_samples
from avoidkit.logs.mapping import load_mapping
from avoidkit.logs.reading import request_of
from tests.conftest import ROOT

MAPPINGS = ROOT / "tests" / "mappings"


def file_of(folder, name):
    if not (folder / name).is_file():
        pytest.skip(f"{name} not found in {folder}")
    return folder / name


@pytest.fixture(scope="module")
def road(open_data):
    """The road vehicle's log (ASAM MDF 4.11 with bus frames), its database, and the recording."""
    pytest.importorskip("asammdf")
    log, database = file_of(open_data, "drive_log.mf4"), file_of(open_data, "drive_log.dbc")
    return log, database, read_log(log, MAPPINGS / "road_log.toml", databases=[database])


@pytest.fixture(scope="module")
def walk(open_data):
    """The recording of one walker before one radar."""
    return read_log(file_of(open_data, "radar_walk.txt"), MAPPINGS / "walk_log.toml")


def test_the_road_log_is_found_as_its_note_says(road):
    found = found_from(road[2].log["found"])
    assert [channel.role for channel in found.channels] == ["own.speed", "own.yaw_rate"]
    assert found.duration_s == pytest.approx(170.0, abs=0.1)
    assert found.driven_m == pytest.approx(246.5, abs=0.5)  # note beside the data: integral of speed 246.5 m
    assert "radars and objects: nothing is sensed" in found.missing


def test_the_road_logs_invalid_samples_are_counted_as_its_database_decodes_them(road):
    import asammdf

    log, database, recording = road
    decoded = asammdf.MDF(log).extract_bus_logging({"CAN": [(str(database), 0)]})
    words = decoded.get("SpeedValid").samples
    assert found_from(recording.log["found"]).channels[0].flagged == sum(b"Invalid" in word for word in words) == 3


def test_the_road_logs_pose_goes_as_far_as_its_speed_says(road):
    recording = road[2]
    path, speed = recording.paths["reference"], found_from(recording.log["found"]).channels[0]
    held_s = recording.times_s[-1] - speed.to_s  # the speed ends half a second before the yaw rate does
    on_m = held_s * recording.rows[-1].ego.speed_mps + 10.0
    assert 0.4 < held_s < 0.7
    assert path.length_m - on_m == pytest.approx(246.5, abs=0.5)
    assert recording.scene.reference.length_m == pytest.approx(path.length_m, abs=1.0)
    ends = [recording.scene.reference.end, path.end]
    assert np.hypot(ends[0].x_m - ends[1].x_m, ends[0].y_m - ends[1].y_m) < 5.0


@pytest.mark.parametrize("ending", ["csv", "mf4"])
def test_the_road_log_exported_and_imported_again_differs_in_no_sample(road, tmp_path, ending):
    recording = road[2]
    again = read_log(*export_log(recording, tmp_path / f"road.{ending}"))
    for mine, others in zip(recording.rows, again.rows, strict=True):
        assert (mine.time_s, mine.ego, mine.hold, mine.error) == (others.time_s, others.ego, others.hold, others.error)


def test_the_road_logs_raw_samples_written_and_read_again_differ_in_none(road, tmp_path):
    from avoidkit.logs.mdf import write_mdf

    log, database, _ = road
    request = request_of(load_mapping(MAPPINGS / "road_log.toml"), [database])
    raw = read_samples(log, request)
    groups = {
        f"{channel}": (series.time_s, {channel: (series.values, "")}) for (_, channel), series in raw.series.items()
    }
    write_mdf(tmp_path / "raw.mf4", groups)
    again = read_samples(tmp_path / "raw.mf4", request | {"databases": []})
    assert len(again.series) == 4
    for key, series in raw.series.items():
        np.testing.assert_array_equal(series.time_s, again.series[key].time_s)
        np.testing.assert_array_equal(series.values, again.series[key].values)


def test_the_walk_is_read_whole(walk):
    found = found_from(walk.log["found"])
    assert found.channels[0].samples == 13279  # returns; counted with grep in the file
    assert found.duration_s == pytest.approx(20.0, abs=0.1)
    assert found.damage == []  # the copy at hand has no broken block; a planted one is counted below
    assert sum(len(scan) for row in walk.rows for scan in row.scans) == pytest.approx(13279, abs=60)  # last scan or two


def test_a_broken_block_of_the_walk_is_counted_and_named(open_data, tmp_path):
    blocks = file_of(open_data, "radar_walk.txt").read_text(encoding="utf-8").split("---\n")[:2000]
    blocks[1234] = blocks[1234].replace("range: ", "range ")
    (tmp_path / "walk.txt").write_text("---\n".join(blocks), encoding="utf-8")
    damage = found_from(read_log(tmp_path / "walk.txt", MAPPINGS / "walk_log.toml").log["found"]).damage
    assert damage == ["1 broken blocks: block 1235 (line 19745): 'range' is missing"]


@pytest.fixture(scope="module")
def tracked(walk):
    return play(walk)


def test_the_walker_is_one_track_from_the_first_seconds_to_the_end(tracked):
    tracks = tracked.to_numpy()["tracks"]
    longest = max(set(tracks["id"].tolist()), key=lambda one: np.count_nonzero(tracks["id"] == one))
    mine = tracks[tracks["id"] == longest]
    assert mine["time_s"].min() < 3.0
    assert mine["time_s"].max() == tracked.times_s[-1]
    ranges = np.hypot(mine["x_m"] - 3.75, mine["y_m"])
    assert 0.4 < ranges.min() < ranges.max() < 3.2  # note beside the data: 0.6 to 2.7 m


def test_the_tracked_walk_is_drawn(tracked):
    from avoidkit.views import style
    from avoidkit.views.moments import show_moment

    figure = style.new_figure(12, 11)
    axes = show_moment(figure, tracked, 14.0)
    assert any("vehicle stands" in text.get_text() for text in axes[0].texts)
    assert len(style.png(figure, 50)) > 10_000


def test_a_log_of_bus_frames_without_its_database_says_what_is_missing(open_data):
    pytest.importorskip("asammdf")
    with pytest.raises(
        InputError, match="'AngularRateZ' was wanted, got none; the log holds frames of a bus: name its"
    ):
        read_log(file_of(open_data, "drive_log.mf4"), MAPPINGS / "road_log.toml")
    with pytest.raises(InputError, match=r"drive_log.mf4: a name that ends with .dbc or .arxml was wanted"):
        read_log(
            file_of(open_data, "drive_log.mf4"), MAPPINGS / "road_log.toml", databases=[open_data / "drive_log.mf4"]
        )
