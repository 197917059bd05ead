"""What a log lacks, garbles or says a moment beside is never read as "nothing there" or "held"."""

import math

import numpy as np
import pytest

from avoidkit import Tuning
from avoidkit.drive import drive
from avoidkit.logs import Mapping, export_log, found_from, read_log
from avoidkit.logs.mapping import Radar, Ultrasonic
from avoidkit.logs.samples import Samples, Series
from avoidkit.logs.scans import rounds_of, scans_of
from avoidkit.parameters import validated
from avoidkit.scene import Scene
from tests import made_logs
from tests.test_logs_reading import in_this_process  # noqa: F401  (a fixture for all tests here)

STUCK = """
name = "stuck"
[[walls]]
corners_m = [[-12.0, 5.0], [32.0, 5.0]]
[[walls]]
corners_m = [[-12.0, -5.0], [32.0, -5.0]]
[[path.legs]]
direction = "forward"
segments = [{length_m = 20.0}]
[hold]
mode = "operator"
press_at_s = 0.2
[[faults]]
sensor = "front_left"
kind = "stuck"
from_s = 1.5
to_s = 45.0
"""


def test_a_stuck_radar_is_blind_in_a_log_from_the_cycle_on_in_which_it_is_in_the_drive(tmp_path):
    driven = drive(Scene.from_toml(STUCK), Tuning(), seed=0, decide=made_logs.onward, duration_s=2.5)
    log = read_log(*export_log(driven, tmp_path / "run.csv"), tuning=driven.tuning)
    said = [[row.sensors.get("front_left") for row in run.rows] for run in (driven, log)]
    assert said[0] == said[1]
    assert str(said[1][-1][0]) == "blind"
    assert {str(scan.health) for scan in log.rows[-1].scans} <= {"ok"}  # what the radar says of itself is kept


# ---- returns of one radar, straight to scans

MARKS = {"arrives": {"channel": "arrives", "group": "scans"}}
RETURNS = ("range", "azimuth", "range_rate", "snr")


def radar(**changes):
    plain = {name: {"channel": name, "group": "returns"} for name in RETURNS}
    plain |= {"sensor": "front_left", "layout": "rows", "mount": {"x_m": 3.7, "y_m": 0.7, "yaw_deg": 45.0}}
    return validated(Radar, plain | {"marks": MARKS} | changes, "radar")


def returns_at(times, marks, **columns):
    """Samples of returns at times, a metre farther with each, and of marks."""
    times, marks = np.array(times, float), np.array(marks, float)
    plain = {"range": 1.0 + np.arange(len(times))} | {name: np.zeros(len(times)) for name in RETURNS[1:]}
    series = {("returns", name): Series(times, np.array(v, float)) for name, v in (plain | columns).items()}
    return series | {("scans", "arrives"): Series(marks, marks + 0.01)}


def told(series, one):
    """([(taken_s, ranges, health)], report)."""
    scans, report = scans_of(Samples(series), one)
    return [(scan.taken_s, scan.range_m.tolist(), str(scan.health)) for scan in scans], report


@pytest.mark.parametrize("off_s", [-1e-6, 0.0, 1e-6, 0.9e-4])
def test_returns_a_moment_beside_their_scan_belong_to_it(off_s):
    times = [0.1, 0.1 + off_s, 0.3 + off_s]
    scans, report = told(returns_at(times, [0.1, 0.2, 0.3]), radar())
    assert scans == [(0.1, [1.0, 2.0], "ok"), (0.2, [], "ok"), (0.3, [3.0], "ok")]
    assert (report.strays, report.blinded) == (0, 0)


def test_returns_of_no_scan_make_the_nearest_one_blind_and_are_counted():
    scans, report = told(returns_at([0.1, 0.17, 0.1702, 0.3], [0.1, 0.2, 0.3]), radar())
    assert scans == [(0.1, [1.0], "ok"), (0.2, [], "blind"), (0.3, [4.0], "ok")]
    assert (report.strays, report.blinded) == (2, 1)


def test_returns_that_come_out_of_order_make_the_scan_blind_that_lacks_them():
    scans, report = told(returns_at([0.1, 0.3, 0.2], [0.1, 0.2, 0.3]), radar())
    assert scans == [(0.1, [1.0], "ok"), (0.2, [], "blind"), (0.3, [2.0], "ok")]
    assert report.strays == 1
    together, report = told(returns_at([0.1, 0.3, 0.2], [0.1, 0.3, 0.2]), radar())  # its mark is left out as well
    assert together == [(0.1, [1.0], "ok"), (0.3, [2.0], "ok")]
    assert (report.strays, report.blinded) == (0, 0)


def test_rows_a_moment_apart_are_one_scan_where_nothing_marks_scans():
    scans, _ = told(returns_at([0.1, 0.1 + 1e-6, 0.1 + 2e-6, 0.2], []), radar(marks=None))
    assert scans == [(0.1, [1.0, 2.0, 3.0], "ok"), (0.2, [4.0], "ok")]


@pytest.mark.parametrize("marks", [None, MARKS])
@pytest.mark.parametrize("name", RETURNS[1:])
def test_a_return_with_a_range_and_an_invalid_rest_makes_its_scan_blind(name, marks):
    series = returns_at([0.1, 0.2, 0.2, 0.3], [0.1, 0.2, 0.3], **{name: [0.0, 0.0, math.nan, 0.0]})
    scans, report = told(series, radar(marks=marks))
    assert scans == [(0.1, [1.0], "ok"), (0.2, [2.0], "blind"), (0.3, [4.0], "ok")]
    assert (report.not_numbers, report.blinded) == (1, 1)


def test_a_row_without_a_range_is_no_return_unless_the_log_says_that_it_is_used():
    series = returns_at([0.1, 0.2, 0.3], [0.1, 0.2, 0.3], range=[5.0, math.nan, -1.0])
    assert [health for *_, health in told(series, radar())[0]] == ["ok", "ok", "ok"]
    series["returns", "here"] = Series(series["returns", "range"].time_s, np.ones(3))
    used = radar(used={"channel": "here", "group": "returns"})
    assert [health for *_, health in told(series, used)[0]] == ["ok", "blind", "blind"]


def test_slots_out_of_use_say_nothing_and_a_word_that_is_no_number_hides_nothing():
    times = np.array([0.1, 0.2, 0.3, 0.4])
    names = {name: {"channel": f"{name}_{{slot}}", "group": "returns"} for name in (*RETURNS, "used")}
    one = radar(layout="slots", slots=2, marks=None, **names)
    columns = {f"{name}_{k}": [0.0] * 4 for name in RETURNS for k in range(2)}
    columns |= {"range_0": [1.0] * 4, "range_1": [2.0] * 4, "range_rate_1": [0.0, math.nan, math.nan, 0.0]}
    columns |= {"used_0": [1.0] * 4, "used_1": [1.0, 0.0, 1.0, math.nan]}
    series = {("returns", name): Series(times, np.array(values)) for name, values in columns.items()}
    scans, _ = told(series, one)
    assert scans == [
        (0.1, [1.0, 2.0], "ok"), (0.2, [1.0], "ok"), (0.3, [1.0], "blind"), (0.4, [1.0, 2.0], "ok"),
    ]  # fmt: skip
    for name in ("range_1", "range_rate_1", "used_1"):  # another group, its clock a microsecond beside
        series["returns", name] = Series(times + 1e-6, series["returns", name].values)
    assert told(series, one)[0] == scans


def test_health_is_the_last_word_at_or_before_a_scan_however_often_it_comes():
    series = returns_at([], np.arange(40) * 0.05)
    fast = np.arange(20, 200) * 0.01
    series["words", "health"] = Series(fast, np.where(fast >= 0.995, 2.0, 0.0))
    scans, _ = told(series, radar(marks=MARKS | {"health": {"channel": "health", "group": "words"}}))
    healths = {round(taken_s, 2): health for taken_s, _, health in scans}
    assert {health for taken_s, health in healths.items() if taken_s < 0.2} == {"blind"}  # no word yet
    assert {health for taken_s, health in healths.items() if 0.2 <= taken_s < 1.0} == {"ok"}
    assert {health for taken_s, health in healths.items() if taken_s >= 1.0} == {"blind"}


def test_health_and_arrival_of_echoes_go_by_time_as_well():
    times, fast = np.arange(40) * 0.05, np.arange(200) * 0.01
    first = [{"channel": f"first_{k}", "group": "echoes"} for k in range(12)]
    rest = {name: {"channel": name, "group": "words"} for name in ("health", "arrives")}
    ring = validated(Ultrasonic, {"first": first} | rest, "ring")
    series = {("echoes", f"first_{k}"): Series(times, np.full(40, np.inf)) for k in range(12)}
    series["words", "health"] = Series(fast, np.where(fast >= 0.995, 2.0, 0.0))
    series["words", "arrives"] = Series(fast, fast + 0.02)
    rounds, _ = rounds_of(Samples(series), ring)
    assert [str(one.health) for one in rounds] == ["ok"] * 20 + ["blind"] * 20
    np.testing.assert_allclose([one.arrives_s for one in rounds], times + 0.02)
    series["echoes", "first_3"] = Series(times + 0.01, np.full(40, np.inf))  # of no round: nothing is known of it
    assert rounds_of(Samples(series), ring)[0] == []


# ---- whole logs

OWN = {"speed": {"channel": "v", "group": "own"}, "straight": True}


def read(tmp_path, lines, **changes):
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    plain = {"name": "made", "format": "csv", "time": [{"channel": "t"}], "table": {"group_column": "record"}}
    return read_log(tmp_path / "log.csv", validated(Mapping, plain | {"own": OWN} | changes, "map"))


def test_a_note_names_file_and_field_of_returns_that_belong_to_no_scan(tmp_path):
    lines = ["record,t,v,arrives,range,azimuth,range_rate"]
    for k in range(21):
        lines += [f"own,{k / 20},0,,,,", f"scans,{k / 20},,{k / 20 + 0.01},,,", f"returns,{k / 20 + 0.02},,,5,0,0"]
    plain = radar(snr=None).model_dump(mode="json", exclude_defaults=True)
    log = read(tmp_path, lines, radars=[plain])
    assert {str(scan.health) for row in log.rows for scan in row.scans} == {"blind"}
    assert found_from(log.log["found"]).notes == [
        f"{tmp_path / 'log.csv'}: radars.front_left.marks.arrives 'arrives': 21 returns of 'range' are of none of its "
        "times (within 0.0001 s): the scans nearest to them count as blind",
        f"{tmp_path / 'log.csv'}: radars.front_left: 21 scans count as blind: returns of theirs hold an invalid number "
        "or belong to no scan",
    ]
    assert "21 returns belong to no scan; 21 count as blind" in "\n".join(found_from(log.log["found"]).lines())


def test_a_late_older_scan_does_not_replace_the_word_of_a_newer_one(tmp_path):
    lines = ["record,t,v,arrives,health,range,azimuth,range_rate", "returns,0,,,,5,0,0"]
    for k in range(21):
        arrives_s = 0.72 if k == 10 else k / 20 + 0.01  # the scan of 0.50 s comes after that of 0.70 s
        lines += [f"own,{k / 20},0,,,,,", f"scans,{k / 20},,{arrives_s},{2 if k > 10 else 0},,,"]
    marks = MARKS | {"health": {"channel": "health", "group": "scans"}}
    plain = radar(snr=None, marks=marks).model_dump(mode="json", exclude_defaults=True)
    log = read(tmp_path, lines, radars=[plain])
    assert [scan.taken_s for scan in log.rows[15].scans] == [0.7, 0.5]
    health, taken_s = log.rows[15].sensors["front_left"]
    assert (str(health), taken_s) == ("blind", 0.7)


HOLD = {name: {"channel": name, "group": "own"} for name in ("pressed", "sent")}


def test_hold_to_run_that_is_no_number_any_more_gets_old_whatever_was_sent(tmp_path):
    lines = ["record,t,v,pressed,sent"]
    lines += [f"own,{k / 20},0,{1 if k < 10 else ''},{k / 20 - 0.01}" for k in range(21)]
    holds = [row.hold for row in read(tmp_path, lines, hold=HOLD).rows]
    assert [one.sent_s for one in holds[:10]] == pytest.approx(np.arange(10) / 20 - 0.01)
    assert {one.sent_s for one in holds[10:]} == {0.45}


def test_hold_to_run_sent_at_a_time_to_come_is_not_made_fresh_by_its_own_time(tmp_path):
    lines = ["record,t,v,pressed,sent"] + [f"own,{k / 20},0,1,{k / 20 + 5}" for k in range(21)]
    assert [row.hold.sent_s for row in read(tmp_path, lines, hold=HOLD).rows] == pytest.approx(np.arange(21) / 20 + 5)
