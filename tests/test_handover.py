"""What is handed over: frozen tuning, parameters, vectors that the kit meets and that notice an error of 1 %."""

import csv
import io
import json
import math
import os
import subprocess
import sys
from dataclasses import replace

import jsonschema
import pytest

from avoidkit import Tuning
from avoidkit.checks import InputError
from avoidkit.cli import main
from avoidkit.handover import runner
from avoidkit.handover.cases import MOST_CELLS
from avoidkit.handover.folder import vectors_of, write_handover
from avoidkit.handover.functions import FUNCTIONS
from avoidkit.handover.pages import parameter_rows, parameters_csv, parameters_markdown
from avoidkit.handover.schemas import schema_of
from avoidkit.handover.serve import Answers
from avoidkit.handover.wire import from_line, plain, to_line
from avoidkit.parameters import fields
from tests.conftest import ROOT


@pytest.fixture(scope="module")
def folder(tuning, tmp_path_factory):
    """A hand-over of the baseline."""
    out = tmp_path_factory.mktemp("handover") / "baseline"
    write_handover(tuning, out)
    return out


def content_of(folder, name):
    return json.loads((folder / "vectors" / f"{name}.json").read_text(encoding="utf-8"))


def wrong_with(content, tuning, functions, most=1000):
    """Vectors that an implementation with these functions and this tuning does not meet, the first few of them."""
    answers, out = Answers(functions=functions), []
    begun = answers.answer(to_line({"id": 0, "call": "begin", "input": {"protocol": 1, "tuning": plain_of(tuning)}}))
    assert from_line(begun)["output"]["ready"]
    for vector in content["vectors"]:
        asked = {"id": 1, "call": content["function"], "input": vector["input"]}
        wrong = runner.judged(vector, from_line(answers.answer(to_line(asked))), content["tolerance"])
        out += [vector["name"]] if wrong else []
        if len(out) == most:
            break
    return out


def plain_of(tuning):
    return tuning.model_dump(mode="json")


def scaled(value, key, factor):
    """The same output with every number under one key multiplied."""
    if isinstance(value, dict):
        return {k: times(v, factor) if k == key else scaled(v, key, factor) for k, v in value.items()}
    return [scaled(one, key, factor) for one in value] if isinstance(value, list) else value


def times(value, factor):
    if isinstance(value, list):
        return [times(one, factor) for one in value]
    return value * factor if isinstance(value, float | int) and not isinstance(value, bool) else value


ALIKE = ("speed_cap", "check_path")  # their inputs are those of the verdict: checking them takes seconds each


@pytest.mark.parametrize("name", [pytest.param(n, marks=pytest.mark.slow if n in ALIKE else ()) for n in FUNCTIONS])
def test_the_vectors_follow_their_schema(folder, name):
    schema = json.loads((folder / "schemas" / f"{name}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(content_of(folder, name), schema)
    assert schema == json.loads(json.dumps(schema_of(name)))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_inputs_named_so_are_refused_and_there_are_plain_and_edge_cases(folder, name):
    content = content_of(folder, name)
    assert [v["name"] for v in content["vectors"] if v["name"].startswith("refused") and "refused" not in v] == []
    assert len(content["vectors"]) - sum("refused" in v for v in content["vectors"]) >= 9
    names = [vector["name"] for vector in content["vectors"]]
    assert len(set(names)) == len(names)


def test_the_schema_takes_no_vector_with_a_bare_infinity_or_a_missing_entry(folder):
    content = content_of(folder, "stop_distance")
    for damage in ({"time_s": "infinite"}, {"distance_m": None}):
        damaged = json.loads(json.dumps(content))
        damaged["vectors"][0]["output"] |= damage
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(damaged, schema_of("stop_distance"))


def test_no_grid_in_the_vectors_is_larger_than_40_by_40(folder):
    def grids(value):
        if isinstance(value, dict):
            for key, part in value.items():
                if key in ("cells", "log_odds", "declared"):
                    yield part
                yield from grids(part)
        elif isinstance(value, list):
            for part in value:
                yield from grids(part)

    sizes = [(len(g), len(g[0])) for name in FUNCTIONS for g in grids(content_of(folder, name)) if g != ["..x", "..."]]
    assert len(sizes) > 200
    assert max(max(size) for size in sizes) <= MOST_CELLS == 40


def test_the_runner_finds_the_kit_right_in_every_vector(folder):
    here = dict(os.environ, PYTHONPATH=str(ROOT))
    command = [sys.executable, "check.py", "--kit"]
    done = subprocess.run(command, cwd=folder, env=here, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    good, of, total, *_ = done.stdout.splitlines()[-1].split()
    assert (of, good) == ("of", total)
    assert int(total) == sum(len(content_of(folder, name)["vectors"]) for name in FUNCTIONS)


PLANTED = {  # what an output's number is multiplied under; the worst hidden places of each function
    "stop_distance": ("distance_m", "time_s"),
    "reach": ("radii_m", "centres_m"),
    "speed_cap": ("speed_cap_mps", "cap_mps", "found"),
    "check_path": ("free_m", "at_m", "at_xy"),
    "verdict": ("speed_cap_mps", "found", "needed", "since_s"),
    "track_update": ("state", "covariance", "covariances", "modes"),
    "grid_update": ("log_odds", "corner_xy"),
}


@pytest.mark.parametrize(("name", "key"), [(name, key) for name, keys in PLANTED.items() for key in keys])
def test_an_output_that_is_1_percent_off_is_caught(folder, tuning, name, key):
    one, content = FUNCTIONS[name], content_of(folder, name)

    def off(tuning, value, known):
        return scaled(plain(one.call(tuning, value, known)), key, 1.01)

    used = tuning.replace(content["tuning_changes"]) if content["tuning_changes"] else tuning
    assert wrong_with(content, used, {name: replace(one, call=off)}, most=1) != []
    if key == PLANTED[name][0]:
        assert wrong_with(content, used, {name: one}) == []


INSIDE = {  # a parameter that an implementation has 1 % wrong inside
    "reach": ("people.standing_accel_mps2", "people.walking_accel_mps2", "people.k_sigma", "people.body_radius_m",
              "people.top_speed_mps", "people.unseen_s", "people.standing_sigma_mps", "people.standing_for_s",
              "people.walking_from_mps", "people.after_standing_s"),
    "speed_cap": ("vehicle.brake_mps2", "vehicle.latency_s", "vehicle.width_m", "vehicle.brake_build_up_s",
                  "decision.clearance_m", "people.shadow_speed_mps", "decision.guard_m", "decision.static_clearance_m",
                  "people.walking_from_mps", "ultrasonic.beam_deg"),
    "check_path": ("vehicle.width_m", "decision.clearance_m", "people.likely_standing_m", "detour.lookahead_m",
                   "people.possible_person_gap_m", "tracking.edge_m"),
    "verdict": ("vehicle.brake_mps2", "vehicle.creep_mps", "decision.clearance_m", "decision.standoff_m",
                "decision.link_timeout_s", "decision.remote_range_m", "decision.settle_s", "detour.speed_mps",
                "decision.resume_margin_mps", "decision.least_brake_s", "decision.foresee_s",
                "detour.greatest_offset_m"),
    "track_update": ("tracking.accel_psd", "tracking.sway_mps", "tracking.limb_rate_mps", "tracking.stop_per_s",
                     "radar.field_of_view_deg"),
    "grid_update": ("freespace.occupied_probability", "freespace.free_probability", "freespace.fade_s",
                    "freespace.doubt_s", "freespace.recentre_m", "freespace.echo_arc_m", "freespace.echo_margin_m",
                    "freespace.echo_occupied_probability", "freespace.edge_link_m", "freespace.azimuth_sigma_deg",
                    "freespace.unseen_after_s", "freespace.remember_s", "ultrasonic.beam_deg",
                    "decision.data_timeout_s", "decision.static_clearance_m", "radar.range_min_m"),
}  # fmt: skip


@pytest.mark.parametrize(("name", "field"), [(name, field) for name, all_of in INSIDE.items() for field in all_of])
def test_a_parameter_that_is_1_percent_off_inside_is_caught(folder, tuning, name, field):
    content = content_of(folder, name)
    changes = dict(content["tuning_changes"])
    right = {key: value for key, value, _ in fields(tuning)}[field]
    used = tuning.replace(changes | {field: right * 1.01})
    assert wrong_with(content, used, {name: FUNCTIONS[name]}, most=1) != []


@pytest.mark.parametrize(
    ("name", "field"),
    [("verdict", "people.body_radius_m"), ("speed_cap", "people.body_radius_m"), ("grid_update", "freespace.doubt_s"),
     ("grid_update", "people.body_radius_m"), ("grid_update", "decision.data_timeout_s")],
)  # fmt: skip
def test_a_parameter_that_is_1_percent_low_inside_is_caught_as_well(folder, tuning, name, field):
    content = content_of(folder, name)
    right = {key: value for key, value, _ in fields(tuning)}[field]
    used = tuning.replace(dict(content["tuning_changes"]) | {field: right * 0.99})
    assert wrong_with(content, used, {name: FUNCTIONS[name]}, most=1) != []


def test_the_same_tuning_gives_the_same_vectors_again(tuning):
    assert vectors_of("reach", tuning) == vectors_of("reach", Tuning())
    assert vectors_of("grid_update", tuning) == vectors_of("grid_update", Tuning())


def test_another_tuning_can_be_handed_over_too(tuning):
    slow = tuning.replace({"vehicle.brake_mps2": 2.0, "freespace.cell_m": 0.5, "freespace.size_m": 16.0})
    content = vectors_of("grid_update", slow)
    assert content["tuning_changes"] == {}
    assert len(content["vectors"][0]["output"]["log_odds"]) == 32
    jsonschema.validate(content, schema_of("grid_update"))
    assert vectors_of("verdict", slow)["tuning_hash"] == slow.hash != tuning.hash


def test_the_frozen_tuning_comes_back_with_its_hash(folder, tuning):
    from avoidkit import load_tuning

    assert load_tuning(folder / "tuning.toml").hash == tuning.hash
    assert tuning.hash in (folder / "README.md").read_text(encoding="utf-8")
    assert json.loads((folder / "tuning.json").read_text(encoding="utf-8")) == plain_of(tuning)


def test_every_parameter_is_in_the_table_with_unit_bounds_and_source(tuning):
    other = tuning.replace({"decision.clearance_m": 0.4})
    rows = {row["parameter"]: row for row in csv.DictReader(io.StringIO(parameters_csv(other)))}
    caution = rows.pop("caution")  # the table travels alone
    assert "not evidence of safety" in caution.pop("meaning")
    assert set(caution.values()) == {"caution", ""}
    assert list(rows) == [name for name, _, _ in fields(other)]
    clearance = rows["decision.clearance_m"]
    told = [clearance[key] for key in ("value", "unit", "low", "high", "default", "changed")]
    assert told == ["0.4", "m", "0.0", "1.5", "0.2", "yes"]
    bounded = [row for row in rows.values() if row["unit"]]
    assert all(row["low"] and row["high"] and row["meaning"] and row["source of the default"] for row in bounded)
    assert parameters_markdown(other).count("\n| ") == len(rows) + 1


def test_a_name_cannot_be_a_formula_or_break_the_table(tuning):
    sly = Tuning(name="=2+5|<b>\\")
    assert "'=2+5" in parameters_csv(sly)
    assert "=2+5\\|&lt;b>\\\\" in parameters_markdown(sly)
    assert parameter_rows(sly)[0]["value"] == "=2+5|<b>\\"


def test_the_first_page_begins_with_the_cautions(folder):
    page = (folder / "README.md").read_text(encoding="utf-8")
    assert page.splitlines()[2].startswith("**A desk prototype, not evidence of safety")
    assert "no claim of conformity" in page[:900]


def test_a_folder_with_something_in_it_is_left_alone(tuning, tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match=r": is not empty; choose another folder, or say --force"):
        write_handover(tuning, tmp_path)
    assert [file.name for file in tmp_path.iterdir()] == ["mine.txt"]
    assert main(["handover", "baseline", "--out", str(tmp_path / "mine.txt")]) == 2
    assert "is a file, a folder was wanted" in capsys.readouterr().err
    assert main(["handover", "baseline"]) == 2
    assert capsys.readouterr().err == "avoidkit handover: name a tuning and --out FOLDER, or say --serve\n"


def test_the_command_answers_lines_as_the_kit(tuning, monkeypatch, capsys):
    asked = [
        {"id": 1, "call": "begin", "input": {"protocol": 1, "tuning": plain_of(tuning)}},
        {"id": 2, "call": "stop_distance", "input": dict(LIMITS, speed_mps=1.0)},
    ]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(map(to_line, asked)) + "\n\n"))
    assert main(["handover", "--serve"]) == 0
    ready, stop = map(from_line, capsys.readouterr().out.splitlines())
    assert ready == {"id": 1, "output": {"ready": True, "tuning_hash": tuning.hash}}
    # by hand: 1 m/s (0.15 s + 0.10 s / 2) + (1 m/s)^2 / 8 m/s^2 - 4 m/s^2 (0.10 s)^2 / 24; 0.15 + 0.05 + 0.25 s
    assert stop["output"]["distance_m"] == pytest.approx(0.323333, abs=1e-6)
    assert stop["output"]["time_s"] == pytest.approx(0.45)


LIMITS = {"latency_s": 0.15, "build_up_s": 0.10, "brake_mps2": 4.0}


# -- the runner --------------------------------------------------------------------------------------------------


def test_numbers_within_tolerance_are_right_and_beyond_are_wrong():
    assert runner.differences(1.0, 1.0 + 0.9e-6, 0.0, 1e-6) == []
    assert runner.differences(1.0, 1.0 + 1.1e-6, 0.0, 1e-6) == ["output: 1.0 was wanted, got 1.0000011"]
    assert runner.differences(0.0, 1e-9, 1e-9, 0.0) == []
    assert runner.differences(1, 1.0, 0.0, 0.0) == []


@pytest.mark.parametrize(
    ("wanted", "found", "good"),
    [("inf", "inf", True), ("nan", "nan", True), ("inf", 1e300, False), ("inf", "-inf", False), (1.0, "nan", False),
     ("nan", 0.0, False), (True, 1, False), (False, 0.0, False), ("halt", "wait", False), (None, 0.0, False),
     ([1.0], [1.0, 2.0], False), ([1.0], 1.0, False), ({"a": 1.0}, {"a": 1.0, "more": 2}, True),
     ({"a": 1.0}, {}, False), ({"why": "because"}, {"why": "so"}, True), ({"a": 1.0}, [1.0], False)],
)  # fmt: skip
def test_what_the_runner_takes_for_equal(wanted, found, good):
    assert (runner.differences(wanted, found, 0.0, 0.0) == []) is good


@pytest.mark.parametrize(
    ("program", "said"),
    [("import sys; sys.exit(3)", "it has ended"), ("print('hello', flush=True); input()", "no JSON: 'hello"),
     ("import time; time.sleep(60)", "no answer within 0.5 s")],
)  # fmt: skip
def test_the_runner_outlives_a_program_that_does_not_answer(folder, program, said):
    lines = []
    total, good = runner.check(folder, [sys.executable, "-c", program], 0.5, ["stop_distance"], lines.append)
    assert (total, good) == (20, 0)
    assert said in lines[1]


@pytest.mark.parametrize(
    ("asked", "said"),
    [([], "name a program after --, or say --kit"),
     (["--", "./nothing"], "./nothing: there is no such program, or it may not be run"),
     (["--kit", "--function", "reech"], "--function must be one of check_path, grid_update, reach, "),
     (["--kit", "--timeout", "nan"], "--timeout must lie between 0 and 3600 s, got nan"),
     (["--kit", "--folder", "."], ".: is no hand-over: tuning.json and vectors/*.json were wanted")],
)  # fmt: skip
def test_the_runner_says_what_is_wrong_with_what_it_was_asked(folder, capsys, monkeypatch, tmp_path, asked, said):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as end:
        runner.main(["--folder", str(folder), *asked])
    assert end.value.code == 2
    assert f"error: {said}" in capsys.readouterr().err


def test_an_implementation_that_refuses_nothing_is_caught(folder, tuning):
    one = FUNCTIONS["stop_distance"]

    def careless(tuning, value, known):
        try:
            return one.call(tuning, value, known)
        except InputError:
            return {"distance_m": 0.0, "time_s": 0.0}

    wrong = wrong_with(content_of(folder, "stop_distance"), tuning, {one.name: replace(one, call=careless)})
    assert len(wrong) == 6
    assert all(name.startswith("refused") for name in wrong)


# -- lines of JSON ------------------------------------------------------------------------------------------------


def test_what_is_not_finite_goes_over_the_pipe_as_a_word_and_comes_back():
    line = to_line({"a": [math.inf, -math.inf, math.nan, 1.5]})
    assert line == '{"a":["inf","-inf","nan",1.5]}'
    assert from_line(line) == {"a": ["inf", "-inf", "nan", 1.5]}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('{"id":1,"call":"begin","input":{"protocol":2}}', "protocol must be 1, got 2"),
        ('{"id":1,"call":"stop_distance","input":{}}', "call begin before stop_distance: it brings the tuning"),
        ('{"id":1,"call":"eval","input":{}}', "call must be one of begin, stop_distance, "),
        ('{"id":1,"input":{}}', "request.call is missing"),
        ("[1]", "request must be an object, got [1]"),
        ('{"id":NaN}', "a line of JSON was wanted"),
        ("[" * 100_000, "a line of JSON was wanted"),
        ('{"id":1,"call":"begin","input":{"protocol":1,"tuning":{"cycle_s":9.0}}}', "tuning: cycle_s: input should be"),
    ],
)
def test_a_line_that_is_no_request_is_refused_in_words(line, said):
    assert from_line(Answers().answer(line))["refused"].startswith(said)


@pytest.mark.parametrize("damage", [{"id": 10**400}, {"id": -1}, {"id": 1.5}, {"hits": True}, {"extent_m": 10**400}])
def test_a_track_with_numbers_that_are_none_is_refused_by_name(folder, tuning, damage):
    [vector] = [v for v in content_of(folder, "reach")["vectors"] if v["name"] == "a group"]
    value = json.loads(json.dumps(vector["input"]))
    value["tracks"]["tracks"][0] |= damage
    found = from_line(Answers(tuning).answer(to_line({"id": 1, "call": "reach", "input": value})))
    assert found["refused"].startswith(f"tracks.tracks[0].{next(iter(damage))} must be a ")
