"""The summary of a drive, on rows short enough to count by hand."""

import dataclasses
import math

import numpy as np
import pytest

from avoidkit.frames import Pose
from avoidkit.recording import summary_lines
from avoidkit.recording.summary import summarise
from avoidkit.vehicle import Ego
from avoidkit.verdict import Action, Memory, Verdict
from tests.made_rows import made_row, made_scene

REFERENCE = made_scene().reference  # 9 m
ACTIONS = {"c": Action.CONTINUE, "d": Action.DETOUR, "h": Action.HALT, "w": Action.WAIT}


def rows(actions, speeds, *, dt_s=0.5, **columns):
    """One row per letter of `actions`; `columns` are lists of values of other fields."""
    rng, made = np.random.default_rng(0), []
    for i, (letter, speed) in enumerate(zip(actions, speeds, strict=True)):
        action, time_s = ACTIONS[letter.lower()], i * dt_s
        halted = letter.isupper()
        verdict = Verdict(action, REFERENCE, 0.0, Memory(action, halted=halted), (), "gap", f"Halts: reason {i}.")
        fields = {
            "ego": Ego(time_s, Pose(0, 0, 0), speed, 0.0, 0.0),
            "verdict": verdict,
            "reference_along_m": 0.0,
            "gap_m": math.inf,
            "contacts": (),
            "error": "",
            "stage_ms": {"decide": 10.0},
        }
        fields |= {name: values[i] for name, values in columns.items()}
        made.append(made_row(time_s, rng, reference=REFERENCE, **fields))
    return made


def summary(*args, **columns):
    return summarise(rows(*args, **columns), path_end_m=9.0, top_mps=1.0, ended="duration")


def test_times_count_from_row_to_row():
    s = summary("wccdhh", [0.0, 0.0, 0.4, 0.6, 0.2, 0.0])
    assert s["duration_s"] == 2.5
    assert s["seconds"] == {"wait": 0.5, "continue": 1.0, "detour": 0.5, "halt": 0.5}
    assert s["moving_s"] == 1.5
    assert s["driven_m"] == pytest.approx(0.5 * (0.4 + 0.6 + 0.2))
    assert s["greatest_speed_mps"] == 0.6
    assert (s["computing_s"], s["times_real_time"]) == (pytest.approx(0.06), pytest.approx(0.024))


def test_the_time_of_a_cycle_is_told_by_median_and_p99():
    # 1 to 100 ms, once each: half lie at or below 50.5, 99 of 100 do not exceed 99
    stages = [{"track": 0.25 * ms, "decide": 0.75 * ms} for ms in range(1, 101)]
    s = summary("c" * 100, [0.0] * 100, stage_ms=stages)
    assert s["cycle_ms"] == (50.5, 99.0)
    assert "a cycle 50.5 ms (median), 99.0 ms (p99)" in summary_lines(s)[-1]
    assert "computing" not in " ".join(summary_lines(summary("cc", [0.0] * 2, stage_ms=[{}, {}])))


def test_a_brake_a_halt_and_a_wait_are_told_apart_and_the_wait_before_the_start_is_no_stop():
    s = summary("wwchchHwcwc", [0.0] * 11)
    assert s["starts_s"] == 1.0
    told = [(stop["from_s"], stop["to_s"], stop["lasts_s"], stop["kind"]) for stop in s["stops"]]
    assert told == [(1.5, 2.0, 0.5, "brake"), (2.5, 4.0, 1.5, "halt"), (4.5, 5.0, 0.5, "wait")]
    assert [stop["why"] for stop in s["stops"]] == ["Halts: reason 3.", "Halts: reason 5.", "Halts: reason 9."]


def test_a_stop_that_lasts_to_the_end_says_so():
    s = summary("chh", [0.0] * 3)
    assert [(stop["lasts_s"], stop["ends"]) for stop in s["stops"]] == [(0.5, False)]
    assert "    0.50 s  brake  0.50 s+ reason 1." in summary_lines(s)


def test_standing_at_the_end_of_the_path_is_no_stop():
    s = summary("cchh", [1.0, 1.0, 0.0, 0.0], reference_along_m=[0.0, 4.0, 8.9, 8.99])
    assert (s["reached_end"], s["reached_end_s"], s["stops"]) == (True, 1.0, [])


def test_time_lost_is_what_top_speed_would_have_saved():
    # 9 m of path at 1 m/s take 8.9 s to where the end counts as reached; it was reached after 1.5 s + nothing less
    s = summary("ccccc", [1.0] * 5, dt_s=5.0, reference_along_m=[0.0, 3.0, 6.0, 8.9, 9.0])
    assert s["reached_end_s"] == 15.0
    assert s["lost_s"] == pytest.approx(15.0 - 9.0)
    s = summary("cc", [1.0, 1.0], dt_s=5.0, reference_along_m=[0.0, 3.0])
    assert (s["reached_end"], s["lost_s"]) == (False, pytest.approx(5.0 - 3.0))
    assert math.isnan(s["reached_end_s"])


def test_the_nearest_gap_counts_only_while_the_vehicle_moves():
    s = summary("cccc", [0.0, 0.3, 0.3, 0.05], gap_m=[0.1, 0.8, 0.6, 0.2])
    assert (s["nearest_gap_moving_m"], s["nearest_gap_at_s"]) == (0.6, 1.0)
    s = summary("cc", [0.3, 0.3])
    assert s["nearest_gap_moving_m"] == math.inf
    assert math.isnan(s["nearest_gap_at_s"])


def test_contacts_are_counted_once_and_by_whether_the_vehicle_moves():
    touching = [(), ("Ada",), ("Ada",), ("Ada", "Bo"), ("Ada",), ("Bo",)]
    s = summary("cccccc", [0.0, 0.0, 0.3, 0.3, -0.3, 0.0], contacts=touching)
    assert s["contacts_at_rest"] == [(0.5, "Ada"), (2.5, "Bo")]
    assert s["contacts_moving"] == [(1.0, "Ada"), (1.5, "Bo")]


def test_errors_are_counted_by_message():
    s = summary("chh", [0.0] * 3, error=["", "decision: ValueError: no", "decision: ValueError: no"])
    assert s["errors"] == {"decision: ValueError: no": 2}
    assert "ERROR        in 2 cycles, each a halt: decision: ValueError: no" in summary_lines(s)


def test_many_stops_do_not_fill_more_than_a_screen():
    lines = summary_lines(summary("ch" * 60, [0.0] * 120))
    assert "stops        60 brakes, 29.50 s in all; under way from 0.00 s" in lines
    assert lines[-2] == "  and 40 more"
    assert len(lines) == 29


def test_no_rows_are_a_drive_of_nothing():
    s = summarise([], path_end_m=9.0, top_mps=1.0)
    assert (s["duration_s"], s["driven_m"], s["reached_end"], s["stops"]) == (0.0, 0.0, False, [])
    assert summary_lines(s) == ["nothing was driven"]


def test_a_replaced_rows_field_is_what_the_summary_reads():
    made = rows("cc", [0.3, 0.3])
    nearer = [made[0], dataclasses.replace(made[1], gap_m=0.25)]
    assert summarise(nearer, path_end_m=9.0, top_mps=1.0)["nearest_gap_moving_m"] == 0.25
