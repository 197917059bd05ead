"""Tables and blocks of text are read through a mapping: units, codes, flags, clocks and damage, each told."""

import math
from pathlib import Path

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.logs import Mapping, child, found_from, load_mapping, read_log, reading, save_mapping
from avoidkit.parameters import validated
from tests.mutated_logs import blocks_mapping, small_log


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch):
    """The readers without their child, which costs a second each; test_logs_hostile.py is about the child."""

    def read(path, request, limits):
        child._checked_size(Path(path))
        return child._readers(request | {"path": str(path)}, lambda: None)

    monkeypatch.setattr(reading, "read_samples", read)


OWN = {"speed": {"channel": "v", "unit": "km/h"}, "straight": True}


def made(**changes):
    plain = {"name": "made", "format": "csv", "time": [{"channel": "t", "unit": "s"}], "own": OWN}
    return validated(Mapping, plain | changes, "map")


def table(tmp_path, *lines, name="log.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_text("\n".join(lines) + "\n", encoding=encoding)
    return path


def found(recording):
    return found_from(recording.log["found"])


def lines_of(n=21, dt_s=0.05, v=3.6):
    return [f"{k * dt_s:.3f},{v}" for k in range(n)]


def test_a_row_a_cycle_and_speed_in_si(tmp_path):
    recording = read_log(table(tmp_path, "t,v", *lines_of()), made())
    assert len(recording) == 21
    assert recording.rows[20].ego.speed_mps == pytest.approx(1.0)
    assert recording.rows[20].ego.pose.x_m == pytest.approx(1.0)
    assert recording.paths["reference"].length_m == pytest.approx(11.0, abs=0.06)  # 10 m on after the way driven


def test_nothing_is_decided_yet_and_every_verdict_is_a_halt(tmp_path):
    recording = read_log(table(tmp_path, "t,v", *lines_of()), made())
    assert {str(row.verdict.action) for row in recording.rows} == {"halt"}
    assert recording.rows[3].verdict.settled_by == "not decided"
    assert not recording.rows[3].hold.pressed
    assert recording.rows[3].echoes is None
    assert recording.mark == "ASSUMED, NOT MEASURED: vehicle goes straight"


def test_invalid_codes_flags_and_words_are_counted_and_not_filled_in_silently(tmp_path):
    rows = lines_of(41)
    for k in range(10, 30):
        rows[k] = f"{k * 0.05:.3f},255"
    rows[35] = "1.750,soon"
    own = OWN | {"speed": OWN["speed"] | {"invalid": [255.0]}, "gap_s": 0.2}
    recording = read_log(table(tmp_path, "t,v", *rows), made(own=own))
    channel = found(recording).channels[0]
    assert (channel.samples, channel.coded, channel.not_numbers) == (41, 20, 1)
    assert channel.gaps == [pytest.approx((0.45, 1.5))]
    assert found(recording).damage == ["1 cells of 'v' that are no numbers: line 37: 'soon'"]
    lost = [round(row.time_s, 2) for row in recording.rows if row.error]
    assert lost == [round(0.05 * k, 2) for k in range(10, 30)]
    assert recording.rows[15].error == "log: own motion is not known"
    assert "unknown in 20 of 41 rows" in found(recording).notes[0]


def test_a_flag_beside_a_channel_makes_samples_invalid(tmp_path):
    rows = [f"{line},{int(k % 10 != 0)}" for k, line in enumerate(lines_of())]
    own = OWN | {"speed": OWN["speed"] | {"valid": "ok"}}
    channel = found(read_log(table(tmp_path, "t,v,ok", *rows), made(own=own))).channels[0]
    assert (channel.flagged, channel.invalid) == (3, 3)


def test_a_clock_that_steps_back_is_told_and_what_it_repeats_is_left_out(tmp_path):
    rows = lines_of(21) + lines_of(31)[10:]  # back from 1.0 to 0.5 s
    recording = read_log(table(tmp_path, "t,v", *rows), made())
    channel = found(recording).channels[0]
    assert (channel.clock_steps, channel.dropped) == (1, 11)
    assert recording.duration_s == pytest.approx(1.5)
    assert "CLOCK stood or stepped back 1 times, 11 samples left out" in channel.line()


def test_broken_lines_are_counted_and_named(tmp_path):
    rows = lines_of(21)
    rows[5], rows[20] = "0.25,3.6,7", "1.0"
    told = found(read_log(table(tmp_path, "t,v", *rows), made())).damage
    assert told == ["2 broken lines (wrong number of cells): line 7 has 3 of 2; line 22 has 1 of 2"]


def test_decimal_commas_semicolons_and_old_encodings_can_be_said(tmp_path):
    rows = [line.replace(",", ";").replace(".", ",") for line in lines_of()]
    layout = {"delimiter": ";", "decimal": ",", "encoding": "cp1252", "skip_lines": 1}
    path = table(tmp_path, "Prüfstand", "t;v", *rows, encoding="cp1252")
    assert read_log(path, made(table=layout)).rows[9].ego.speed_mps == pytest.approx(1.0)
    with pytest.raises(InputError, match=r"is not text in utf-8: invalid start byte$"):
        read_log(path, made(table={"delimiter": ";"}))


def test_reverse_gear_turns_the_sign_of_the_speed(tmp_path):
    rows = [f"{line},{7 if k > 10 else 1}" for k, line in enumerate(lines_of())]
    own = OWN | {"gear": {"channel": "gear", "reverse": [7]}}
    recording = read_log(table(tmp_path, "t,v,gear", *rows), made(own=own))
    assert [row.ego.speed_mps > 0 for row in recording.rows[9:12]] == [True, True, False]
    assert recording.paths["reference"].direction.min() == -1
    assert recording.scene.path.legs[1].direction == "reverse"


def test_a_wrong_unit_in_the_mapping_is_refused_with_what_was_wanted():
    with pytest.raises(InputError) as refused:
        made(own={"speed": {"channel": "v", "unit": "deg"}, "straight": True})
    assert str(refused.value) == "map: own.speed: unit: one of m/s, km/h, cm/s, mph was wanted, got 'deg'"


def test_own_motion_is_never_guessed():
    with pytest.raises(InputError) as refused:
        made(own={"speed": {"channel": "v"}})
    wanted = "a channel was wanted, or one of steering, or straight = true"
    assert str(refused.value) == f"map: own: yaw_rate: {wanted}"


def test_a_missing_channel_is_named_with_the_nearest_one(tmp_path):
    path = table(tmp_path, "t,vel", *lines_of())
    with pytest.raises(InputError) as refused:
        read_log(path, made(own=OWN | {"speed": {"channel": "vell"}}))
    assert str(refused.value) == f"{path}: column 'vell' was wanted, got none; did you mean 'vel'?"


def test_a_long_hole_is_refused_and_a_part_can_be_read(tmp_path):
    rows = lines_of(21) + [f"{100 + k * 0.05:.3f},3.6" for k in range(21)]
    path = table(tmp_path, "t,v", *rows)
    with pytest.raises(InputError, match=r"nothing was logged from 1.00 to 100.00 s: at most 30 s are bridged"):
        read_log(path, made())
    part = read_log(path, made(), from_s=99.0)
    assert part.duration_s == pytest.approx(1.0)
    assert found(part).start_s == pytest.approx(100.0)
    assert found(part).channels[0].samples == 21  # the summary speaks of the part
    assert found(part).driven_m == pytest.approx(1.0)
    with pytest.raises(InputError, match=r"from_s 30.0, to_s 40.0: no sample lies between$"):
        read_log(path, made(), from_s=30.0, to_s=40.0)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "is empty"),
        ("t,v\n", "holds no line of '' with all its cells"),
        ("t,v\n0,1e300\n1,2\n", ""),
        ("t,v\n1e300,1\n-1e300,1\n", "holds no valid sample"),
        ("t,v,v\n0,1,1\n", "column 'v' was wanted, got 2 of that name"),
    ],
)
def test_odd_tables_are_refused_or_read_and_nothing_else(tmp_path, content, message):
    path = tmp_path / "odd.csv"
    path.write_text(content)
    if message:
        with pytest.raises(InputError, match=message):
            read_log(path, made())
    else:
        assert found(read_log(path, made())).channels[0].not_numbers == 1


def test_a_missing_file_a_folder_and_a_device_are_refused(tmp_path):
    for path, why in ((tmp_path / "no.csv", "no such file"), (tmp_path, "is a folder"), ("/dev/zero", "not a plain")):
        with pytest.raises(InputError, match=why):
            read_log(path, made())


def test_a_mapping_survives_its_file(tmp_path):
    for mapping in (made(), blocks_mapping()):
        save_mapping(mapping, tmp_path / "map.toml")
        assert load_mapping(tmp_path / "map.toml") == mapping


@pytest.mark.parametrize("name", ["../up", "a/b", "c:\\d", "..", "line\nbreak"])
def test_a_name_that_could_be_a_path_is_refused(name):
    with pytest.raises(InputError, match="a plain name was wanted"):
        made(name=name)


def test_blocks_become_scans_and_a_broken_one_is_counted_and_named(tmp_path):
    path, mapping = small_log("blocks", tmp_path)
    text = path.read_text(encoding="utf-8")
    whole = read_log(path, mapping)
    scans = [scan for row in whole.rows for scan in row.scans]
    assert [len(scan) for scan in scans] == [5] * 60
    np.testing.assert_allclose(scans[0].azimuth_rad, np.radians([0, 10, 20, 30, 40]), rtol=1e-6)
    assert scans[7].taken_s == pytest.approx(0.7)
    blocks = text.split("---\n")
    blocks[151] = blocks[151][: blocks[151].index("far")]
    path.write_text("---\n".join(blocks), encoding="utf-8")
    broken = read_log(path, mapping)
    assert found(broken).damage == ["1 broken blocks: block 152 (line 1209): 'far' is missing"]
    assert sum(len(scan) for row in broken.rows for scan in row.scans) == 299


def test_degrees_and_radians_are_told_apart(tmp_path):
    rows = [f"{k * 0.05:.3f},3.6,{math.degrees(0.3)}" for k in range(21)]
    own = {"speed": OWN["speed"], "yaw_rate": {"channel": "w", "unit": "deg/s"}}
    recording = read_log(table(tmp_path, "t,v,w", *rows), made(own=own))
    assert recording.rows[5].ego.yaw_rate_radps == pytest.approx(0.3)
    assert recording.rows[20].ego.pose.yaw_rad == pytest.approx(0.3)
