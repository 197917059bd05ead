"""An old recording is decided again: nothing changes by itself, and what changes is said with its reason."""

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from avoidkit import Action, Tracker, decide, load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.cli import main
from avoidkit.drive import drive
from avoidkit.logs import play, read_log
from avoidkit.recording import load_recording
from avoidkit.studies.marks import Marks, add_mark, marks_path, save_marks
from avoidkit.studies.redecide import redecide, redecide_many
from avoidkit.studies.redecided import overview
from avoidkit.studies.workers import processes
from tests import made_logs

SCENES = ("guest_stands_room", "guest_crosses")


@pytest.fixture(scope="module")
def recorded(tuning, tmp_path_factory):
    """Two short drives on disk."""
    folder = tmp_path_factory.mktemp("recorded")
    return [driven(name, tuning, folder, seed=5, duration_s=s) for name, s in zip(SCENES, (2.5, 1.5), strict=True)]


def driven(name, tuning, folder, *, seed, duration_s):
    out = folder / f"{name}_{seed}.parquet"
    drive(load_scene(shipped("scenes") / f"{name}.toml"), tuning, seed=seed, duration_s=duration_s, out=out)
    return out


def halting_from(time_s):
    def decide_so(situation, tuning):
        verdict = decide(situation, tuning)
        if situation.time_s < time_s - 1e-9:
            return verdict
        return replace(verdict, action=Action.HALT, speed_cap_mps=0.0, settled_by="test", why="Halts: because.")

    return decide_so


@pytest.mark.parametrize("start", ["returns", "tracks", "situations"])
def test_the_same_tuning_gives_identical_verdicts(recorded, start):
    results = redecide_many(recorded, start=start)
    assert [(one.identical, len(one.changed), one.elsewhere_s) for one in results] == [(True, 0, math.inf)] * 2
    assert all(one.notes == () for one in results)


@pytest.mark.slow
@pytest.mark.parametrize("start", ["returns", "tracks"])
def test_the_same_tuning_gives_identical_verdicts_in_20_recordings(tuning, tmp_path, start):
    scenes = sorted(file.stem for file in shipped("scenes").glob("*.toml"))[:10]
    runs = [driven(name, tuning, tmp_path, seed=seed, duration_s=6.0) for name in scenes for seed in (1, 2)]
    same = [one.identical for one in redecide_many(runs, start=start)]
    assert (sum(same), len(same)) == (20, 20)


def test_a_halt_from_2_s_on_changes_every_cycle_from_there_on_and_none_before(recorded):
    result = redecide(recorded[0], decide=halting_from(2.0))
    assert result.changed["time_s"].min() == pytest.approx(2.0)
    assert len(result.changed) == 11  # 2.00 to 2.50 s by 0.05 s
    assert set(result.changed["action_after"]) == {"halt"}
    [stretch] = result.stretches.to_dict("records")[-1:]
    assert stretch["why_after"] == "Halts: because."
    assert result.summary()["new_stops"] == 11


def test_the_vehicle_is_elsewhere_soon_after_the_first_change_and_not_before(recorded, tuning):
    result = redecide(recorded[0], decide=halting_from(2.0))
    brake_acts_s = 2.0 + tuning.vehicle.latency_s
    assert 2.0 < result.elsewhere_s <= brake_acts_s + 2 * tuning.cycle_s
    assert f"From {result.elsewhere_s:.2f} s on the new verdicts would have led the vehicle elsewhere" in result.note
    assert not result.frame[result.frame["as_driven"]]["time_s"].ge(result.elsewhere_s).any()


def test_driving_again_leaves_the_recorded_way_where_deciding_again_says(recorded, tuning):
    again = drive(load_recording(recorded[0]).scene, tuning, seed=5, duration_s=2.5, decide=halting_from(2.0))
    was = load_recording(recorded[0])
    apart = [
        math.hypot(a.ego.pose.x_m - b.ego.pose.x_m, a.ego.pose.y_m - b.ego.pose.y_m)
        for a, b in zip(was.rows, again.rows, strict=True)
    ]
    first = next(k for k, gap in enumerate(apart) if gap > 1e-3)
    assert redecide(was, decide=halting_from(2.0)).elsewhere_s == was.times_s[first]


def test_the_new_decision_is_handed_its_own_memory(recorded):
    seen = []

    def noting(situation, tuning):
        seen.append(situation.memory)
        return halting_from(1.5)(situation, tuning)

    redecide(recorded[0], decide=noting, start="situations")
    recording = load_recording(recorded[0])
    early, late = recording.index_at(1.0), recording.index_at(2.4)
    assert seen[early] == recording.rows[early - 1].verdict.memory or math.isnan(seen[early].pending_since_s)
    assert recording.rows[late - 1].verdict.memory != seen[late]


def test_a_wider_clearance_slows_the_vehicle_and_says_why(recorded, tuning):
    result = redecide(recorded[0], tuning.replace({"decision.clearance_m": 0.6}))
    slower = result.changed["cap_after_mps"] < result.changed["cap_before_mps"]
    assert slower.any()
    assert "0.60 m needed" in " ".join(result.changed["why_after"])


def test_a_tracker_of_ones_own_works_from_returns_and_is_left_out_from_tracks(recorded):
    class Nobody(Tracker):
        def step(self, scans, ego):
            tracks = super().step(scans, ego)
            return tracks.where(tracks.ids < 0)

    assert not redecide(recorded[0], track=Nobody).identical
    assert redecide(recorded[0], track=Nobody, start="tracks").identical


def test_a_decision_that_raises_is_a_halt_in_that_cycle_and_too_many_stop_the_study(recorded):
    def stumbling(from_s):
        def decide_so(situation, tuning):
            if situation.time_s > from_s:
                raise ZeroDivisionError("oh")
            return decide(situation, tuning)

        return decide_so

    result = redecide(recorded[0], decide=stumbling(2.3))
    assert set(result.frame[result.frame["error"] != ""]["action_after"]) == {"halt"}
    assert set(result.frame["error"]) == {"", "decision: ZeroDivisionError: oh"}
    with pytest.raises(InputError, match=r": stopped after 6 cycles with errors, the last at 2\.30 s: decision: Zero"):
        redecide(recorded[0], decide=stumbling(2.02))


def test_notes_name_what_open_loop_cannot_know(recorded, tuning):
    other = tuning.replace({"radar.latency_s": 0.01, "tracking.late_s": 0.35})
    notes = redecide(recorded[0], other, start="tracks").notes
    assert notes == (
        "the recorded returns were made with other sensors: radar.latency_s differ",
        "tracking.late_s differ, but deciding again began after that stage: start='returns' shows their effect",
    )


def test_marks_beside_the_recording_are_counted_for_both(recorded):
    run = recorded[0]
    marks = add_mark(add_mark(Marks(recording=run.name), "halt needed", 2.2, 2.4), "not needed", 1.5, 1.8)
    save_marks(marks, marks_path(run))
    try:
        summary = redecide(run, decide=halting_from(2.0)).summary()
    finally:
        marks_path(run).unlink()
    assert (summary["halt_needed_not_met_before"], summary["halt_needed_not_met_after"]) == (1, 0)
    assert (summary["not_needed_not_met_before"], summary["not_needed_not_met_after"]) == (0, 0)


def test_many_on_an_executor_are_as_many_one_after_the_other(recorded, tuning):
    other = tuning.replace({"decision.clearance_m": 0.6})
    alone = overview(redecide_many(recorded, other, start="situations"))
    with ThreadPoolExecutor(2) as executor:
        together = overview(redecide_many(recorded, other, start="situations", executor=executor))
    assert alone.equals(together)
    assert alone["recording"].tolist() == [run.name for run in recorded]


@pytest.mark.slow
def test_thirty_recordings_in_two_processes_come_back_in_order_and_identical(tuning, tmp_path):
    names = [file.stem for file in sorted(shipped("scenes").glob("*.toml"))][:10]
    paths = []
    for name in names:
        for seed in range(3):
            paths.append(tmp_path / f"{name}-{seed}.parquet")
            drive(load_scene(shipped("scenes") / f"{name}.toml"), tuning, seed=seed, duration_s=0.5, out=paths[-1])
    results = redecide_many(paths, executor=processes(2))
    assert [one.name for one in results] == [path.name for path in paths]
    assert [one.name for one in results if not one.identical] == []
    assert [len(one.frame) for one in results] == [11] * 30
    shy = redecide_many(paths, executor=processes(2), decide=lambda situation, tuning: 1 / 0, max_errors=20)
    assert all("ZeroDivisionError" in one.frame["error"].iloc[-1] for one in shy)  # a lambda travels to the workers


def test_an_unknown_start_and_a_mark_outside_are_refused(recorded):
    with pytest.raises(InputError, match=r"^start must be one of returns, tracks, situations, got 'grid'$"):
        redecide(recorded[0], start="grid")
    with pytest.raises(InputError, match=r"mark 1 \(halt needed, 9 to 9 s\) lies outside the recording"):
        redecide(recorded[0], marks=add_mark(Marks(), "halt needed", 9.0))


def test_the_command_says_what_changed_and_writes_table_and_picture(recorded, tmp_path, capsys):
    table, picture = tmp_path / "changed.csv", tmp_path / "changed.png"
    options = ["--tuning", "slow_brakes", "--table", str(table), "--picture", str(picture)]
    assert main(["redecide", str(recorded[0]), *options]) == 0
    said = capsys.readouterr().out
    assert "decided again from returns" in said
    assert "Open loop" in said
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert table.read_text(encoding="utf-8").startswith("recording,time_s,action_before,")
    assert main(["redecide", str(recorded[0]), *options]) == 2
    assert "is there already; choose another name, or say --force" in capsys.readouterr().err
    assert main(["redecide", str(tmp_path / "no.parquet")]) == 2
    assert capsys.readouterr().err == f"avoidkit redecide: {tmp_path / 'no.parquet'}: no such file\n"


def test_a_name_with_dollar_signs_is_drawn_as_it_is(recorded):
    from avoidkit.views.redecided import draw_redecided, redecided_png
    from avoidkit.views.style import new_figure

    result = replace(redecide(recorded[1], start="situations"), name="a $x_1$ b", now=("$^$", "0"))
    axes = draw_redecided(new_figure(), result)
    assert axes[0].get_title(loc="left") == r"a \$x_1\$ b: decided again from situations"
    assert "Nothing changed." in axes[4].texts[0].get_text()
    assert redecided_png(result).startswith(b"\x89PNG")


def test_a_log_is_decided_again_with_its_own_tracks_and_what_was_assumed_is_said(tmp_path):
    rows = made_logs.rows_of_a_drive(2.0)
    made_logs.write_csv(tmp_path / "list.csv", made_logs.channels_of(rows))
    log = play(read_log(tmp_path / "list.csv", made_logs.mapping("csv")))
    for start in ("returns", "situations"):
        result = redecide(log, start=start)
        assert result.identical
        assert result.notes[0].startswith("ASSUMED, NOT MEASURED: ")
    assert "the log brought tracks of its own" in redecide(log).notes[1]


def test_a_slice_is_decided_again_as_it_was_within_the_whole(recorded):
    whole = load_recording(recorded[0])
    assert redecide(whole.between(1.5, 2.0), start="situations").identical
    notes = redecide(whole.between(1.5, 2.0)).notes
    assert notes[0] == "the recording begins at 1.50 s: tracker and grid began there with nothing known"


class Failing(Tracker):
    """The kit's tracker, which breaks at 0.5 s."""

    def step(self, scans, ego):
        tracks = super().step(scans, ego)
        if ego.time_s >= 0.5 - 1e-9:
            raise ValueError("broken")
        return tracks


def test_where_the_tracker_had_failed_recorded_tracks_are_a_halt_again(tuning):
    broken = drive(load_scene(shipped("scenes") / "guest_crosses.toml"), tuning, seed=5, track=Failing, duration_s=1.5)
    result = redecide(broken, start="tracks")
    assert set(result.frame["error"][10:]) == {"tracker: ValueError: broken"}
    assert set(result.frame["settled_after"][10:]) == {"stage failed"}
    assert result.identical
    mended = redecide(broken, start="returns")  # here a tracker works again, and it does not fail
    assert set(mended.frame["error"]) == {""}
