"""Parameters: what is wrong is named with field, value and wish; what is written is read back the same."""

import copy
import itertools
import json
import math
import tomllib

import jsonschema
import pytest

from avoidkit import Tuning, load_tuning, save_tuning, shipped
from avoidkit.checks import InputError
from avoidkit.parameters import fields, flat, validated
from avoidkit.tuning import tuning_toml
from tests.tunings import shipped_tunings


def message_of(function, *arguments):
    """The whole message of the `InputError` that a call raises."""
    with pytest.raises(InputError) as caught:
        function(*arguments)
    return str(caught.value)


@pytest.mark.parametrize("name", list(shipped_tunings()))
def test_the_shipped_tunings_are_what_the_kit_writes(name):
    file = shipped("tunings") / f"{name}.toml"
    assert file.read_text(encoding="utf-8") == tuning_toml(shipped_tunings()[name]), "run: python -m tests.tunings"
    assert load_tuning(file) == shipped_tunings()[name]


def test_slow_brakes_differ_from_the_baseline_in_the_brakes_alone():
    assert Tuning().differ(load_tuning(shipped("tunings") / "slow_brakes.toml")) == {
        "name": ("baseline", "slow_brakes"),
        "vehicle.latency_s": (0.15, 0.3),
        "vehicle.brake_build_up_s": (0.10, 0.2),
        "vehicle.brake_mps2": (4.0, 2.0),
    }


def test_a_tuning_survives_being_written_and_read(tmp_path):
    tuning = Tuning().replace({"name": 'odd "name" # é', "people.k_sigma": 3, "decision.renew_after_halt": False})
    save_tuning(tuning, tmp_path / "t.toml")
    assert load_tuning(tmp_path / "t.toml") == tuning
    assert [file.name for file in tmp_path.iterdir()] == ["t.toml"]


def test_saving_over_a_file_keeps_its_comments_and_what_it_left_out(tmp_path):
    file = tmp_path / "t.toml"
    file.write_text(
        "# ours\n[vehicle]\nbrake_mps2 = 3 # measured in May\n\n[people]\nk_sigma = 2.0\n", encoding="utf-8"
    )
    save_tuning(load_tuning(file).replace({"vehicle.brake_mps2": 3.5, "decision.clearance_m": 0.3}), file)
    assert file.read_text(encoding="utf-8") == (
        "# ours\n[vehicle]\nbrake_mps2 = 3.5 # measured in May\n\n[people]\nk_sigma = 2.0\n"
        "\n[decision]\nclearance_m = 0.3\n"
    )
    tuning = load_tuning(file)
    assert (tuning.vehicle.brake_mps2, tuning.people.k_sigma, tuning.decision.clearance_m) == (3.5, 2.0, 0.3)


def test_a_file_that_is_not_toml_is_not_written_over(tmp_path):
    file = tmp_path / "notes.toml"
    file.write_text("dear diary", encoding="utf-8")
    assert message_of(save_tuning, Tuning(), file).startswith(f"{file}: is not valid TOML and is left alone: ")
    assert file.read_text(encoding="utf-8") == "dear diary"


def test_every_value_of_a_written_tuning_has_its_unit_and_bounds_on_the_line_before():
    lines = tuning_toml(Tuning()).splitlines()
    for dotted, value, info in fields(Tuning()):
        if isinstance(value, float):
            extra = info.json_schema_extra
            key = dotted.rsplit(".", 1)[-1]
            notes = [before for before, line in itertools.pairwise(lines) if line.startswith(f"{key} = ")]
            assert any(f"[{extra['unit']}]" in note and info.description in note for note in notes), dotted


def test_every_number_has_bounds_unit_doc_and_source():
    for dotted, value, info in fields(Tuning()):
        if isinstance(value, float):
            assert any(hasattr(m, "ge") for m in info.metadata), dotted
            assert any(hasattr(m, "le") for m in info.metadata), dotted
            assert info.json_schema_extra["unit"], dotted
            assert info.json_schema_extra["source"], dotted
        assert info.description, dotted


LEANS = ("and", "nor", "or", "but", "the same", "alike", "more for", "no walker", "farther than", "nearer than", "kept")


def test_the_doc_of_every_value_makes_sense_without_the_one_before_it():
    """A slider, the schema and a line of parameters.csv show one doc alone."""
    docs = {dotted: info.description for dotted, _, info in fields(Tuning())}
    leaning = {dotted: doc for dotted, doc in docs.items() if doc.startswith(tuple(f"{one} " for one in LEANS))}
    assert leaning == {}
    assert docs["freespace.echo_range_m"] == "beyond this range silence of the ultrasonics is no evidence"
    assert docs["people.standing_for_s"] == "time for which someone has to have stood to count as standing"
    short = [dotted for dotted, doc in docs.items() if len(doc.split()) < 2 and dotted != "name"]
    assert short == []


def test_a_short_file_takes_the_defaults_for_what_it_leaves_out(tmp_path):
    (tmp_path / "t.toml").write_text("[vehicle]\nbrake_mps2 = 3\n", encoding="utf-8")  # an integer passes as a float
    tuning = load_tuning(tmp_path / "t.toml")
    assert Tuning().differ(tuning) == {"vehicle.brake_mps2": (4.0, 3.0)}
    assert isinstance(tuning.vehicle.brake_mps2, float)


def test_replace_leaves_the_old_tuning_as_it_was():
    old = Tuning()
    new = old.replace({"decision.clearance_m": 0.4, "cycle_s": 0.1})
    assert (old.decision.clearance_m, new.decision.clearance_m, new.cycle_s) == (0.20, 0.4, 0.1)
    with pytest.raises(Exception, match="frozen"):
        new.cycle_s = 0.2


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"decision.clearence_m": 1.0},
            "tuning has no field 'decision.clearence_m'; did you mean 'decision.clearance_m'?",
        ),
        ({"zzz": 1.0}, "tuning has no field 'zzz'"),
        ({"cycle_s.more": 1.0}, "tuning has no field 'cycle_s.more'; did you mean 'cycle_s'?"),
        (
            {"decision.clearance_m": 9.0},
            "tuning: decision.clearance_m: input should be less than or equal to 1.5, got 9.0",
        ),
        (
            {"decision.clearance_m": -0.1},
            "tuning: decision.clearance_m: input should be greater than or equal to 0, got -0.1",
        ),
        ({"decision.clearance_m": math.nan}, "tuning: decision.clearance_m: input should be a finite number, got nan"),
        ({"decision.clearance_m": math.inf}, "tuning: decision.clearance_m: input should be a finite number, got inf"),
        ({"decision.clearance_m": "0.2"}, "tuning: decision.clearance_m: input should be a valid number, got '0.2'"),
        ({"decision.clearance_m": True}, "tuning: decision.clearance_m: input should be a valid number, got True"),
        ({"decision.clearance_m": None}, "tuning: decision.clearance_m: input should be a valid number, got None"),
        ({"decision.renew_after_halt": 1}, "tuning: decision.renew_after_halt: input should be a valid boolean, got 1"),
        ({"name": ""}, "tuning: name: string should have at least 1 character, got ''"),
        ({"vehicle.creep_mps": 1.0, "vehicle.top_mps": 0.5}, "tuning: vehicle: creep_mps must not be above top_mps"),
        (
            {"vehicle.rear_overhang_m": 2.0},
            "tuning: vehicle: rear_overhang_m + wheelbase_m must be below length_m",
        ),
    ],
)
def test_a_bad_change_is_answered_with_field_value_and_wish(changes, message):
    assert message_of(Tuning().replace, changes) == message


def test_a_bad_file_is_answered_with_every_mistake_in_it(tmp_path):
    file = tmp_path / "t.toml"
    file.write_text("cycel_s = 0.05\n[vehicle]\nlenght_m = 4.0\nbrake_mps2 = nan\n[brakes]\n", encoding="utf-8")
    assert message_of(load_tuning, file).splitlines() == [
        f"{file}: vehicle.brake_mps2: input should be a finite number, got nan",
        f"{file}: vehicle.lenght_m: unknown key; did you mean 'vehicle.length_m'?",
        f"{file}: cycel_s: unknown key; did you mean 'cycle_s'?",
        f"{file}: brakes: unknown key",
    ]


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    missing = tmp_path / "none.toml"
    assert message_of(load_tuning, missing) == f"{missing}: no such file"
    assert message_of(load_tuning, tmp_path) == f"{tmp_path}: is a folder, a TOML file was wanted"
    binary = tmp_path / "b.toml"
    binary.write_bytes(b"name = '\xff'")
    assert message_of(load_tuning, binary) == f"{binary}: is not UTF-8 text: byte 8 cannot be read"
    broken = tmp_path / "broken.toml"
    broken.write_text("[vehicle\n", encoding="utf-8")
    assert message_of(load_tuning, broken).startswith(f"{broken}: is not valid TOML: ")


def test_a_date_in_a_tuning_is_not_understood():
    plain = tomllib.loads("cycle_s = 2026-01-01")
    assert message_of(validated, Tuning, plain, "t") == "t: a value of kind date (2026-01-01) is not understood here"


def test_a_file_that_cannot_be_written_leaves_nothing_behind(tmp_path):
    target = tmp_path / "folder"
    target.mkdir()
    assert message_of(save_tuning, Tuning(), target) == f"{target}: cannot be written: Is a directory"
    assert list(tmp_path.iterdir()) == [target]


def test_the_hash_speaks_of_the_values_and_not_of_the_name():
    one = Tuning()
    assert one.hash == Tuning().replace({"name": "other"}).hash
    assert one.hash == copy.deepcopy(one).hash
    changed = {Tuning().replace({key: _another(key)}).hash for key in ("cycle_s", "people.k_sigma", "detour.spacing_m")}
    assert len(changed | {one.hash}) == 4
    assert len(one.hash) == 12
    assert int(one.hash, 16) >= 0


def _another(dotted):
    return flat(Tuning())[dotted] * 1.5


def test_the_json_schema_accepts_what_is_right_and_rejects_what_is_wrong():
    schema = Tuning.model_json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema)
    plain = json.loads(Tuning().model_dump_json())
    assert check.is_valid(plain)
    for bad in ({"cycle_s": 9.0}, {"cycle_s": "fast"}, {"unknown": 1}, {"vehicle": {"width_m": 0.1}}):
        assert not check.is_valid({**plain, **bad}), bad


def test_the_json_schema_carries_unit_step_and_doc():
    creep = Tuning.model_json_schema()["$defs"]["VehicleTuning"]["properties"]["creep_mps"]
    assert {key: creep[key] for key in ("unit", "step", "minimum", "maximum", "default")} == {
        "unit": "m/s",
        "step": 0.05,
        "minimum": 0.05,
        "maximum": 1.0,
        "default": 0.3,
    }
    assert creep["description"].startswith("slowest speed")
