"""An object list stands in for the kit's tracker; what it leaves unknown stays unknown, or is assumed and marked."""

import math

import numpy as np
import pytest

from avoidkit import Tracker, Tuning, load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.drive import drive
from avoidkit.logs import Mapping, export_log, load_mapping, play, read_log
from avoidkit.logs.dead_reckoning import own_motion
from avoidkit.logs.mapping import Objects, Own
from avoidkit.logs.objects import ObjectList
from avoidkit.logs.samples import Samples, Series
from avoidkit.parameters import validated
from avoidkit.recording import load_recording, summary_lines
from avoidkit.studies.redecide import redecide
from tests import made_logs
from tests.made_rows import differences


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    """The same log of 20 s as a table and as MDF4, read: (rows of the drive, from CSV, from MDF4)."""
    pytest.importorskip("asammdf")
    return read_both(20.0, tmp_path_factory.mktemp("logs"))


def read_both(duration_s, folder):
    rows = made_logs.rows_of_a_drive(duration_s)
    channels = made_logs.channels_of(rows)
    made_logs.write_csv(folder / "list.csv", channels)
    made_logs.write_mdf(folder / "list.mf4", channels)
    return rows, *(
        read_log(folder / f"list.{end}", made_logs.mapping(kind)) for end, kind in (("csv", "csv"), ("mf4", "mdf"))
    )


@pytest.fixture(scope="module")
def played(logs):
    return play(logs[1].between(0.0, 6.0))


def test_csv_and_mdf_of_one_object_list_give_the_same_recording(logs):
    rows, table, mdf = logs
    assert len(table) == len(rows) == 401
    assert table.first_difference(mdf) is None
    assert table.fingerprint() == mdf.fingerprint()


@pytest.mark.slow
def test_csv_and_mdf_of_a_hundred_seconds_give_the_same_recording(tmp_path):
    _, table, mdf = read_both(100.0, tmp_path)
    assert len(table) == 2001
    assert table.fingerprint() == mdf.fingerprint()


def test_tracks_are_where_people_were_in_the_drive(logs):
    rows, table, _ = logs
    start = rows[0].ego.pose
    assert (start.x_m, start.y_m, start.yaw_rad) == (0.0, 0.0, 0.0)
    for k in range(0, len(rows), 40):
        people, tracks = rows[k].people, table.rows[k].tracks
        near = np.hypot(*(people.xy - [rows[k].ego.pose.x_m, rows[k].ego.pose.y_m]).T) <= made_logs.SIGHT_M
        assert len(tracks) == near.sum() > 0
        for xy, velocity in zip(people.xy[near], people.velocity[near], strict=True):
            off = np.hypot(*(tracks.state[:, :2] - xy).T)
            assert off.min() < 0.05  # rounded to 1 cm, dead reckoning from rounded speed
            assert np.hypot(*(tracks.state[off.argmin(), 2:] - velocity)) < 0.05


def test_an_object_keeps_its_id_when_its_slot_changes(logs):
    assert len({tuple(row.tracks.ids.tolist()) for row in logs[1].rows[190:210]}) == 1  # slots change at row 200


def test_what_is_assumed_is_marked_in_header_table_and_title(logs, played, tmp_path):
    mark = "ASSUMED, NOT MEASURED: free space in view; ultrasonics silent"
    played.save(tmp_path / "run.parquet")
    again = load_recording(tmp_path / "run.parquet")
    assert again.mark == logs[1].mark == mark
    assert set(again.to_pandas()["assumed"]) == {mark}
    assert again.scene.name == "yard list (assumed free space)"
    assert mark in again.scene.title
    assert f"NOTE         {mark}" in summary_lines(again.summary())
    assert again.between(1.0, 2.0).mark == mark


def test_what_is_assumed_is_written_into_every_picture(played):
    from avoidkit.views import style
    from avoidkit.views.demo import demo_html
    from avoidkit.views.moments import show_moment

    figure = style.new_figure(12, 11)
    axes = show_moment(figure, played, 3.0)
    words = [[text.get_text().replace("\n", " ") for text in ax.texts] for ax in axes]
    assert sum(played.mark in texts for texts in words) == 2  # the plan and the drive below it
    assert played.mark in demo_html(played)


def test_the_kit_decides_on_the_logs_own_tracks_and_situations_are_exact(played):
    assert {str(row.verdict.action) for row in played.rows} >= {"wait", "continue"}
    for time_s in (0.5, 2.35, 5.0):
        row, situation = played.row_at(time_s), played.situation(time_s)
        assert differences(row.tracks, situation.tracks) == []
        assert situation.grid.free_area_m2() > 100.0
    again = play(played)
    assert again.first_difference(played) is None


def test_a_tracker_of_ones_own_runs_on_the_stand_in_returns(played):
    situation = played.between(0.0, 3.0).situation(3.0, track=Tracker)
    logged = played.row_at(3.0).tracks
    assert 1 <= len(situation.tracks) <= len(logged) + 1
    assert all(np.hypot(*(logged.state[:, :2] - state[:2]).T).min() < 0.5 for state in situation.tracks.state)


def test_without_the_assumption_an_object_list_leaves_everything_unknown_and_halts(logs, tmp_path):
    channels = made_logs.channels_of(made_logs.rows_of_a_drive(3.0))
    made_logs.write_csv(tmp_path / "list.csv", channels)
    mapping = made_logs.mapping("csv", free_space="from_returns", ultrasonic_silent=False)
    strict = play(read_log(tmp_path / "list.csv", mapping))
    assert {str(row.verdict.action) for row in strict.rows} <= {"halt", "wait"}
    assert strict.rows[-1].verdict.settled_by == "age of scan"
    situation = strict.situation(2.9)
    x, y = np.moveaxis(situation.grid.centres(), -1, 0)
    front = situation.ego.pose.x_m + 3.85
    driven_over = (np.abs(y) < 0.94) & (x > -0.96) & (x < front + 0.01)
    free = situation.grid.known_free() & ~situation.grid.declared & ~driven_over
    assert not free.any()  # nothing but where the vehicle stands and what the operator declared at the start
    assert strict.mark == ""


def test_free_space_has_to_be_stated_for_an_object_list():
    with pytest.raises(
        InputError, match=r"free_space: 'from_returns' or 'assume_free_in_view' was wanted: an object list"
    ):
        made_logs.mapping("csv", free_space=None)


def list_of(times, columns, **changes):
    """An `ObjectList` of one slot seen from a vehicle that stands, or moves as `changes` of it say."""
    plain = made_logs.mapping("csv").objects.model_dump(mode="json", exclude_defaults=True)
    objects = validated(Objects, plain | {"slots": 1} | changes, "objects")
    series = {("", f"{name}_0"): Series(np.array(times), np.array(values, float)) for name, values in columns.items()}
    made = ObjectList(Samples(series), objects)
    rows = np.arange(0.0, 5.0, 0.05)
    made.work_out(own_motion(Own(stands=True), {}, rows, Tuning().vehicle))
    return made


def columns(n, **changes):
    plain = {"Tag": [1.0] * n, "Ahead": [5.0] * n, "Left": [1.0] * n, "Closing": [0.0] * n, "Sliding": [0.0] * n}
    return plain | {"Sure": [0.9] * n, "Here": [1.0] * n} | changes


def test_an_object_that_was_away_comes_back_as_another():
    made = list_of([0.0, 0.1, 0.2, 0.3], columns(4, Here=[1, 1, 0, 1]))
    assert [made.tracks_at(t).ids.tolist() for t in (0.0, 0.1, 0.2, 0.3)] == [[1], [1], [], [2]]


def test_who_is_new_counts_as_having_stood_just_now_and_who_stands_does_after_a_while():
    made = list_of([0.0, 0.5, 1.0], columns(3, Closing=[1.0, 1.0, 0.0]), keep_s=0.5)
    walks = made.tracks_at(0.5)
    assert (walks.stood_ago_s[0], walks.standing_for_s[0]) == (0.5, 0.0)
    stands = made.tracks_at(1.4)
    assert stands.standing_for_s[0] == pytest.approx(0.4)
    assert stands.standing[0] > 0.9


def test_a_list_goes_on_at_constant_velocity_until_it_is_too_old():
    made = list_of([0.0, 1.0], columns(2, Sliding=[0.5, 0.5]))
    later = made.tracks_at(0.15)
    assert later.state[0].tolist() == pytest.approx([5.0, 1.075, 0.0, 0.5])
    assert later.last_seen_s[0] == 0.0
    assert later.covariance[0, 1, 1] == pytest.approx(0.15**2 + (0.2 * 0.15) ** 2)
    assert len(made.tracks_at(0.25)) == 0


def test_an_object_without_a_place_is_left_out_and_counted():
    made = list_of([0.0, 0.1], columns(2, Ahead=[5.0, made_logs.NOTHING]))
    assert [len(made.tracks_at(t)) for t in (0.0, 0.1)] == [1, 0]
    assert made.report.coded == 1


LACKS = "log: object list holds an object in use with an invalid number"
SILENT = "log: object list is silent for over 0.2 s"


@pytest.mark.parametrize("name", ["Ahead", "Left", "Closing", "Sliding", "Tag"])
@pytest.mark.parametrize("value", [made_logs.NOTHING, math.nan])
def test_an_object_in_use_with_an_invalid_number_is_an_error_as_long_as_its_list_counts(name, value):
    made = list_of([0.0, 0.1, 0.2], columns(3, **{name: [1.0, value, 1.0]}))
    assert [made.trouble_at(t) for t in (0.0, 0.05, 0.1, 0.15, 0.2)] == ["", "", LACKS, LACKS, ""]
    scans = [str(scan.health) for scan in made.stand_ins(Tuning(), free=True)]
    assert scans == ["ok"] * 4 + ["blind"] * 4 + ["ok"] * 4  # four radars behind each list
    assert made.report.blinded == 1


def test_a_slot_out_of_use_holds_nobody_whatever_is_in_it():
    made = list_of([0.0], columns(1, Here=[0.0], Ahead=[math.nan]))
    assert (made.trouble_at(0.0), len(made.tracks_at(0.0))) == ("", 0)


def test_without_a_word_on_its_use_a_slot_holds_somebody_where_a_place_is_in_it():
    empty = {name: [made_logs.NOTHING] for name in ("Ahead", "Left", "Closing", "Sliding", "Tag")}
    for here, changes in ((None, {}), ({"channel": "Here_{slot}"}, {"Here": [math.nan]})):  # none; no number
        assert list_of([0.0], columns(1, **empty | changes), used=here).trouble_at(0.0) == ""
        made = list_of([0.0], columns(1, Closing=[math.nan], **changes), used=here)
        assert made.trouble_at(0.0) == LACKS
        assert len(list_of([0.0], columns(1, **changes), used=here).tracks_at(0.0)) == 1


def test_a_list_that_is_silent_or_has_not_come_yet_is_an_error():
    made = list_of([0.5, 0.6], columns(2))
    assert [made.trouble_at(t) for t in (0.0, 0.45, 0.5, 0.8, 0.81)] == [SILENT, SILENT, "", "", SILENT]


def two_of(ids):
    """A list of two objects 7 m apart, of these ids, at 0.0 and 0.1 s."""
    plain = made_logs.mapping("csv").objects.model_dump(mode="json", exclude_defaults=True)
    objects = validated(Objects, plain | {"slots": 2}, "objects")
    table = [columns(2, Tag=[float(one)] * 2, Ahead=[x] * 2) for one, x in zip(ids, (12.0, 5.0), strict=True)]
    times = np.array([0.0, 0.1])
    series = {("", f"{n}_{k}"): Series(times, np.array(v)) for k, c in enumerate(table) for n, v in c.items()}
    made = ObjectList(Samples(series), objects)
    made.work_out(own_motion(Own(stands=True), {}, np.arange(0.0, 5.0, 0.05), Tuning().vehicle))
    return made


def test_two_objects_with_one_id_are_two_tracks():
    made = two_of((7, 7))
    for time_s in (0.0, 0.1):
        tracks = made.tracks_at(time_s)
        assert tracks.state[:, 0].tolist() == [12.0, 5.0]
        assert tracks.ids.tolist() == two_of((7, 8)).tracks_at(time_s).ids.tolist() == [1, 2]
    returns = [scan.range_m.tolist() for scan in made.stand_ins(Tuning(), free=True)]
    assert returns == [scan.range_m.tolist() for scan in two_of((7, 8)).stand_ins(Tuning(), free=True)]


def shortened(tmp_path, damage):
    """Three seconds of the yard, in a list to which `damage` was done: played, and decided again."""
    channels = made_logs.channels_of(made_logs.rows_of_a_drive(3.0))
    damage(channels)
    made_logs.write_csv(tmp_path / "list.csv", channels)
    log = play(read_log(tmp_path / "list.csv", made_logs.mapping("csv")))
    return log, [redecide(log, start=start).frame for start in ("returns", "tracks", "situations")]


def test_a_row_on_whose_list_nobody_can_rely_is_a_halt_played_and_decided_again(tmp_path):
    def without_speed(channels):
        for k in range(made_logs.SLOTS):
            channels[f"Closing_{k}"][40:] = made_logs.NOTHING

    log, frames = shortened(tmp_path, without_speed)
    assert [row.error for row in log.rows] == [""] * 40 + [LACKS] * 21
    assert {(str(row.verdict.action), row.verdict.settled_by) for row in log.rows[40:]} == {("halt", "object list")}
    for frame in frames:
        assert set(frame["error"][40:]) == {LACKS}
        assert set(frame["settled_after"][40:]) == {"object list"}
        assert frame["identical"].all()
    assert f"{LACKS.removeprefix('log: ')} in 21 of 61 rows: each of them is a halt" in log.log["found"]["notes"]


def test_a_list_that_falls_silent_halts_although_radars_go_on(tmp_path):
    driven = drive(load_scene(shipped("scenes") / "guest_crosses.toml"), Tuning(), seed=2, duration_s=2.5)
    file, mapping = export_log(driven, tmp_path / "run.csv")
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    lists_s = sorted({float(line.split(",")[1]) for line in lines if line.startswith("tracks,")})
    first_s, last_s = lists_s[0], lists_s[4]
    kept = [line for line in lines if not (line.startswith("tracks,") and float(line.split(",")[1]) > last_s)]
    (tmp_path / "run.csv").write_text("".join(kept), encoding="utf-8")
    plain = load_mapping(mapping).model_dump(mode="json", exclude_defaults=True)
    names = {"x": "x_m", "y": "y_m", "vx": "vx_mps", "vy": "vy_mps", "id": "id"}
    objects = {key: {"channel": name, "group": "tracks"} for key, name in names.items()}
    objects |= {"layout": "rows", "radars": ["front_left"], "place": "scene", "relative": False}
    log = play(read_log(file, validated(Mapping, plain | {"objects": objects}, "both"), tuning=driven.tuning))
    late = [row for row in log.rows if row.time_s > last_s + 0.201]
    assert len(late) > 5
    assert {(row.error, row.verdict.settled_by) for row in late} == {(SILENT, "object list")}
    assert {row.error for row in log.rows if first_s <= row.time_s <= last_s + 0.19} == {""}
    assert {str(row.sensors["front_left"][0]) for row in late} == {"ok"}


def test_an_object_list_goes_out_and_comes_back_with_its_empty_lists(tmp_path):
    def nobody_for_a_second(channels):
        for k in range(made_logs.SLOTS):
            channels[f"Here_{k}"][20:40] = 0.0

    log, _ = shortened(tmp_path, nobody_for_a_second)
    assert [len(row.tracks) for row in log.rows[18:22]] == [2, 2, 0, 0]
    again = read_log(*export_log(log, tmp_path / "again.csv"), tuning=log.tuning)
    assert {row.error for row in again.rows} == {""}
    for mine, others in zip(log.rows, again.rows, strict=True):
        np.testing.assert_array_equal(mine.tracks.state, others.tracks.state)
        np.testing.assert_array_equal(mine.tracks.existence, others.tracks.existence)


def test_stand_in_returns_lie_where_the_objects_do():
    made, tuning = list_of([0.0], columns(1)), Tuning()
    scan = next(scan for scan in made.stand_ins(tuning, free=True) if scan.sensor == "front_left")
    mount = tuning.radar.mounts.front_left
    angle = scan.azimuth_rad[0] + math.radians(mount.yaw_deg)
    x, y = mount.x_m + scan.range_m[0] * math.cos(angle), mount.y_m + scan.range_m[0] * math.sin(angle)
    assert (x, y) == (pytest.approx(5.0, abs=1e-5), pytest.approx(1.0, abs=1e-5))
    assert str(scan.health) == "ok"
    assert {str(scan.health) for scan in made.stand_ins(tuning, free=False)} == {"blind"}
