"""The bench without a browser: a slider moved by its value asks the package and shows what it says."""

import math
from dataclasses import replace

import pytest

pytest.importorskip("ipywidgets", reason="needs the lab extra: ipywidgets is missing")

from avoidkit import load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.decision import decide as kit_decide
from avoidkit.parameters import fields
from avoidkit.verdict import Action
from avoidkit.views import controls
from avoidkit.views.answers import obstacle_at
from avoidkit.views.bench import Bench as bench
from avoidkit.views.bench import bench as open_bench
from avoidkit.views.plots import headline

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def lane():
    return load_scene(shipped("scenes") / "lane_6m.toml")


@pytest.fixture
def panel(lane, tuning):
    return bench(lane, tuning, person_xy=(8.0, 1.2))


# -- sliders from the tuning's own metadata ---------------------------------------------------------------


def test_every_number_and_switch_of_the_tuning_has_a_slider(tuning):
    wanted = [name for name, value, _ in fields(tuning) if isinstance(value, bool | int | float)]
    assert controls.TuningPanel(tuning).names == wanted


def test_a_slider_has_unit_bounds_step_and_default_of_its_field(tuning):
    slider = controls.TuningPanel(tuning).slider("decision.clearance_m")
    schema = type(tuning.decision).model_json_schema()["properties"]["clearance_m"]  # how pydantic prints it
    assert (slider.min, slider.max, slider.step) == (schema["minimum"], schema["maximum"], schema["step"])
    assert slider.value == tuning.decision.clearance_m
    assert schema["description"] in slider.tooltip
    assert slider.continuous_update is False


def test_moving_a_slider_changes_the_tuning_and_nothing_else(tuning):
    seen = []
    panel = controls.TuningPanel(tuning, on_change=lambda panel: seen.append(panel.tuning))
    panel.slider("vehicle.brake_mps2").value = 2.0
    assert seen[-1].differ(tuning) == {"vehicle.brake_mps2": (2.0, 4.0)}
    panel.reset()
    assert panel.tuning == tuning


def test_sliders_that_do_not_hold_together_keep_the_last_tuning_and_say_why(tuning):
    panel = controls.TuningPanel(tuning)
    panel.slider("vehicle.top_mps").value = 0.25  # below creep speed
    assert panel.tuning == tuning
    assert "creep_mps must not be above top_mps" in panel.problem
    panel.slider("vehicle.creep_mps").value = 0.2
    assert panel.problem == ""
    assert (panel.tuning.vehicle.creep_mps, panel.tuning.vehicle.top_mps) == (0.2, 0.25)


def test_the_search_finds_parameters_by_name_and_by_meaning(tuning):
    panel = controls.TuningPanel(tuning)
    assert panel.shown() == list(controls.CHOSEN)
    panel.search("brake build")
    assert panel.shown() == ["vehicle.brake_build_up_s"]
    panel.search("envelope of zebras")
    assert panel.shown() == []


def test_a_group_shows_all_of_its_section_and_what_differs_shows_only_that(tuning):
    panel = controls.TuningPanel(tuning)
    panel.group.value = "vehicle"
    assert panel.shown() == [name for name in panel.names if name.startswith("vehicle.")]
    panel.slider("people.standing_accel_mps2").value = 3.0
    panel.group.value = controls.CHANGED
    assert panel.shown() == ["people.standing_accel_mps2"]


def test_every_move_can_be_undone_one_after_the_other(tuning):
    seen = []
    panel = controls.TuningPanel(tuning, on_change=lambda panel: seen.append(panel.tuning))
    panel.undo()
    panel.slider("vehicle.brake_mps2").value = 2.0
    panel.slider("vehicle.brake_mps2").value = 3.0
    panel.slider("vehicle.latency_s").value = 0.3
    panel.reset()
    assert (panel.tuning, len(seen)) == (tuning, 4)
    changed = []
    for _ in range(5):
        panel.undo()
        changed.append({name: now for name, (now, _) in panel.tuning.differ(tuning).items()})
    assert changed[0] == {"vehicle.brake_mps2": 3.0, "vehicle.latency_s": 0.3}
    assert changed[1:] == [{"vehicle.brake_mps2": 3.0}, {"vehicle.brake_mps2": 2.0}, {}, {}]


def test_a_tuning_goes_to_a_file_and_back_and_its_differences_are_listed(tuning, tmp_path):
    panel, path = controls.TuningPanel(tuning), tmp_path / "mine <b>.toml"
    panel.files.path.value = str(path)
    panel.slider("vehicle.brake_mps2").value = 2.0
    panel.files.buttons["save"].click()
    assert "&lt;b&gt;.toml: saved, hash" in panel.files.note.value
    panel.files.buttons["save"].click()
    assert "is there already" in panel.files.note.value
    panel.slider("vehicle.latency_s").value = 0.3
    panel.files.buttons["differences"].click()
    assert "vehicle.latency_s: 0.3 here, 0.15 in the file" in panel.files.note.value
    panel.files.buttons["load"].click()
    assert panel.tuning.differ(tuning) == {"vehicle.brake_mps2": (2.0, 4.0)}
    assert panel.slider("vehicle.latency_s").value == 0.15
    panel.reset()
    assert panel.tuning.vehicle.brake_mps2 == 2.0  # back to what was loaded
    panel.files.path.value = str(tmp_path / "none.toml")
    panel.files.buttons["load"].click()
    assert "ak-trouble" in panel.files.note.value


def test_each_slider_has_its_bounds_and_unit_in_words_beside_it(tuning):
    panel = controls.TuningPanel(tuning)
    row = panel._rows["decision.clearance_m"][0]
    low, high = panel.slider("decision.clearance_m").min, panel.slider("decision.clearance_m").max
    assert row.children[2].value == f"{low:g} to {high:g} m"


def test_a_chosen_name_that_does_not_exist_is_refused(tuning):
    with pytest.raises(InputError, match=r"^chosen names no parameter with a slider: vehicle.wings_m$"):
        controls.TuningPanel(tuning, chosen=["vehicle.wings_m"])


# -- settled ----------------------------------------------------------------------------------------------


def test_moving_the_person_off_the_lane_changes_the_answer(panel):
    panel.x_m.value, panel.y_m.value = 5.0, 0.0
    assert panel.verdict.action == Action.HALT  # one metre ahead, no room to steer
    assert "data-action='halt'" in panel.answer.value
    panel.x_m.value, panel.y_m.value = 14.0, 2.8
    assert panel.verdict.action == Action.CONTINUE
    assert "data-action='continue'" in panel.answer.value


def test_somebody_who_leaves_room_is_gone_round_once_the_answer_has_settled(panel):
    assert panel.verdict.action == Action.DETOUR
    assert panel.verdict.path.name != "reference"


def test_the_bench_gives_the_verdict_that_the_kit_gives(panel, lane, tuning):
    from avoidkit.studies.settled import settle, settled_situation

    (x, y), (vx, vy) = panel.person
    verdict = settle(settled_situation(lane, tuning, [(x, y, vx, vy)]), tuning)
    assert (panel.verdict.action, panel.verdict.speed_cap_mps) == (verdict.action, verdict.speed_cap_mps)
    assert [check.name for check in panel.verdict.checks] == [check.name for check in verdict.checks]


def test_heading_and_speed_make_the_velocity(panel):
    panel.heading_deg.value, panel.speed_mps.value = 90.0, 1.4
    _, velocity = panel.person
    assert velocity == pytest.approx((0.0, 1.4), abs=1e-12)


def test_a_change_of_tuning_changes_the_answer(panel):
    cap = panel.verdict.speed_cap_mps
    panel.panel.slider("vehicle.top_mps").value = 0.5
    assert panel.verdict.speed_cap_mps <= 0.5 < cap


def test_the_picture_is_drawn_anew(panel):
    before = bytes(panel.plan.value)
    panel.y_m.value = 2.0
    assert before.startswith(PNG)
    assert bytes(panel.plan.value).startswith(PNG)
    assert bytes(panel.plan.value) != before


def test_a_place_inside_a_wall_or_the_vehicle_is_none_where_somebody_can_stand(lane, tuning):
    assert obstacle_at(lane, tuning, (5.0, 3.1), 0.0) == "inside the wall left wall"
    assert obstacle_at(lane, tuning, (1.0, 0.0), 0.0) == "inside the vehicle"
    assert obstacle_at(lane, tuning, (8.0, 0.0), 0.0) == ""


def test_an_impossible_place_keeps_the_last_answer_but_greyed_and_says_so(panel):
    verdict = panel.verdict
    panel.y_m.value = 3.1
    assert panel.verdict is verdict
    assert "Nobody can stand there: inside the wall left wall." in panel.answer.value
    assert "This answer is old" in panel.answer.value
    assert "ak-stale" in panel.plan._dom_classes
    panel.y_m.value = 2.0
    assert "This answer is old" not in panel.answer.value
    assert "ak-stale" not in panel.plan._dom_classes


def test_an_error_in_the_users_decision_halts_and_shows_its_short_message(lane, tuning):
    def broken(situation, tuning):
        raise RuntimeError("my rule <divides> by nothing")

    panel = bench(lane, tuning, decide=broken)
    assert panel.verdict.action == Action.HALT
    assert "RuntimeError: my rule &lt;divides&gt; by nothing" in panel.answer.value
    assert "<divides>" not in panel.answer.value


@pytest.mark.parametrize("nonsense", [None, "go", math.nan])
def test_a_decision_that_returns_no_verdict_halts(lane, tuning, nonsense):
    panel = bench(lane, tuning, decide=lambda situation, tuning: nonsense)
    assert panel.verdict.action == Action.HALT
    assert "decide must return a Verdict" in panel.answer.value


def test_the_users_own_decision_is_the_one_that_is_asked(lane, tuning):
    asked = []

    def mine(situation, tuning):
        asked.append(situation)
        return kit_decide(situation, tuning)

    panel = bench(lane, tuning, decide=mine, person_xy=(9.0, 1.0))
    assert asked
    assert asked[-1].tracks.state[0, :2] == pytest.approx([9.0, 1.0])
    panel.x_m.value = 9.5
    assert asked[-1].tracks.state[0, :2] == pytest.approx([9.5, 1.0])


def test_a_scene_with_markup_in_its_title_stays_a_title(lane, tuning):
    mean = lane.replace({"title": '"""; import os <script>alert(1)</script>'})
    shown = bench(mean, tuning).widget.children[0].value
    assert "<script" not in shown
    assert "&lt;script&gt;" in shown


# -- live -------------------------------------------------------------------------------------------------


def test_a_live_drive_can_be_stepped_through_row_by_row(panel):
    panel.seconds.value = 2.0
    panel.drive()
    rows = panel.recording.rows
    assert panel.mode.value == "live"
    assert panel.cycle.max == len(rows) - 1
    for index in (0, len(rows) - 1):
        panel.cycle.value = index
        assert panel.verdict.action == rows[index].verdict.action
        assert f"<b>{rows[index].time_s:.2f} s</b>" in panel.note.value
    assert bytes(panel.ribbon.value).startswith(PNG)


def test_the_person_of_the_bench_joins_a_live_drive_unless_told_not_to(panel, lane):
    panel.seconds.value = 1.0
    panel.drive()
    own = {person.name for person in lane.people}
    assert {person.name for person in panel.recording.scene.people} - own == {"guest on the bench"}
    panel.joins.value = False
    panel.drive()
    assert {person.name for person in panel.recording.scene.people} == own


def test_a_live_answer_says_when_the_tuning_has_changed_since(panel):
    panel.seconds.value = 1.0
    panel.drive()
    assert "changed since" not in panel.note.value
    panel.panel.slider("decision.clearance_m").value = 0.5
    assert "changed since" in panel.note.value


# -- one recorded instant ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def recording(lane):
    from avoidkit import Tuning, drive

    return drive(lane.with_person("Ana", (9.0, 1.0)), Tuning(), seed=5, duration_s=3.0)


def test_a_recorded_instant_opens_with_the_verdict_that_was_recorded(recording):
    row = recording.row_at(2.5)
    panel = open_bench(recording, time_s=2.5, plain=True)
    assert panel.verdict.action == row.verdict.action
    assert panel.verdict.speed_cap_mps == row.verdict.speed_cap_mps
    assert panel.verdict.checks == row.verdict.checks
    assert "Recorded at" not in panel.answer.value


def test_a_recorded_instant_with_another_decision_says_what_was_recorded(recording):
    def waits(situation, tuning):
        return replace(kit_decide(situation, tuning), action=Action.WAIT, speed_cap_mps=0.0)

    panel = open_bench(recording, time_s=2.5, plain=True, decide=waits)
    was = headline(recording.row_at(2.5).verdict)
    assert panel.verdict.action == Action.WAIT
    assert f"Recorded at 2.50 s was: {was}." in panel.answer.value


def test_a_bench_without_tuning_or_time_says_what_it_wants(recording):
    with pytest.raises(InputError, match=r"^bench wants a scene and a tuning, or a recording and time_s$"):
        open_bench(recording)
