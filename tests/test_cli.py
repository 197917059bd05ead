"""The command line: what it prints and where, its exit codes, and that a mistake never shows a traceback."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from avoidkit import cli, shipped
from avoidkit.checks import InputError
from avoidkit.cli import main, parser
from avoidkit.commands import ORDER
from avoidkit.parameters import KEYS_OF_FILES
from avoidkit.places import KINDS
from avoidkit.recording import COLUMNS, Recorder, load_recording
from avoidkit.tuning import Tuning
from tests.made_rows import made_rows, made_scene, record

ROOT = Path(__file__).absolute().parent.parent
CAUTION = "not evidence of safety"
FINITE, AT_LEAST, AT_MOST = (
    f"input should be {rest}" for rest in ("a finite number", "greater than or equal to", "less than or equal to")
)


def run(capsys, *arguments):
    """(exit code, stdout, stderr) of one command line in this process."""
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


# ---- drive ----


@pytest.fixture(scope="module")
def driven(tmp_path_factory):
    """A short drive through the command line: (exit code, stdout, stderr, file)."""
    out = tmp_path_factory.mktemp("cli") / "run.parquet"
    command = [sys.executable, "-m", "avoidkit.cli", "drive", "nobody_there", "--seed", "4", "--duration", "1.5"]
    done = subprocess.run([*command, "--out", str(out)], cwd=ROOT, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout, done.stderr, out


def test_drive_keeps_a_recording_and_sums_it_up(driven):
    code, out, err, path = driven
    assert code == 0
    recording = load_recording(path)
    assert (recording.seed, recording.ended) == (4, "duration")
    assert recording.times_s[-1] == pytest.approx(1.5)
    assert os.listdir(path.parent) == ["run.parquet"]
    for word in ("ended", "path's end", "driven", "actions", "nearest gap", "contacts", "stops", "computing", CAUTION):
        assert word in out
    assert str(path) in out
    assert "0.0 of 1.5 s" in err
    assert "of 1.5 s" not in out


def test_check_says_of_a_recording_what_the_drive_said(driven, capsys):
    _, said, _, path = driven
    code, out, err = run(capsys, "check", path)
    assert (code, err) == (0, "")
    shared = [
        line for line in said.splitlines() if line.startswith(("  ended", "  driven", "  actions", "  computing"))
    ]
    assert len(shared) == 4
    assert set(shared) <= set(out.splitlines())
    assert "rows         31, each readable" in out


def test_an_existing_recording_is_replaced_only_by_force(driven, capsys, tmp_path):
    path = tmp_path / "run.parquet"
    path.write_bytes(b"precious")
    code, out, err = run(capsys, "drive", "nobody_there", "--duration", "0.5", "--out", path, "--quiet")
    assert (code, out) == (2, "")
    assert err == f"avoidkit drive: {path}: is there already; choose another name, or say --force to replace it\n"
    assert path.read_bytes() == b"precious"
    code, out, err = run(capsys, "drive", "nobody_there", "--duration", "0.5", "--out", path, "--quiet", "--force")
    assert (code, err) == (0, "")
    assert len(load_recording(path)) == 11


def test_a_left_over_stream_is_not_driven_over(capsys, tmp_path):
    part = tmp_path / "run.parquet.part"
    part.write_bytes(b"precious")
    code, _, err = run(capsys, "drive", "nobody_there", "--out", tmp_path / "run.parquet")
    assert code == 2
    mend = f"mend it with `avoidkit check --mend {part}`, or say --force to replace it"
    assert err == f"avoidkit drive: {part}: is there already; {mend}\n"
    assert part.read_bytes() == b"precious"


def test_ctrl_c_keeps_what_was_driven_so_far(tmp_path):
    out = tmp_path / "run.parquet"
    command = [sys.executable, "-m", "avoidkit.cli", "drive", "nobody_there", "--duration", "300", "--out", str(out)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        said = [child.stderr.readline() for _ in range(2)]  # under way, with all that has to be compiled compiled
        child.send_signal(signal.SIGINT)
        stdout, stderr = child.communicate(timeout=60)
    assert said[0].startswith("    0.0 of 300.0 s")
    assert child.returncode == 130, stderr
    assert f"what was driven is in {out}" in stderr
    assert "Traceback" not in stderr
    assert "it was interrupted" in stdout
    recording = load_recording(out)
    assert (recording.ended, len(recording) >= 1) == ("interrupted", True)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere.toml"], "nowhere.toml: no such file"),
        (["nobody_there", "--tuning", "nowhere.toml"], "nowhere.toml: no such file"),
        (["nobody_there", "--seed", "-1"], "--seed must be at least 0, got -1"),
        (["nobody_there", "--duration", "nan"], "--duration must be above 0 and at most 3600 s, got nan"),
        (["nobody_there", "--duration", "-3"], "--duration must be above 0 and at most 3600 s, got -3"),
        (["nobody_there", "--duration", "1e30"], "--duration must be above 0 and at most 3600 s, got 1e+30"),
        (["nobody_there", "--out", "nowhere/run.parquet"], "nowhere/run.parquet: there is no folder nowhere"),
    ],
)
def test_mistakes_at_a_drive_are_one_line_on_stderr(arguments, message, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, "drive", *arguments)
    assert (code, out, err) == (2, "", f"avoidkit drive: {message}\n")
    assert os.listdir(tmp_path) == []


def test_an_unknown_name_of_a_scene_is_answered_with_those_there_are(capsys):
    code, _, err = run(capsys, "drive", "nobody_their")
    assert code == 2
    known = ", ".join(sorted(file.stem for file in shipped("scenes").glob("*.toml")))
    said = "nobody_their: no such file, and no shipped scene of that name; did you mean 'nobody_there'?"
    assert err == f"avoidkit drive: {said}; shipped are: {known}\n"


# ---- check ----


def test_every_shipped_file_passes_the_check(capsys):
    files = [*sorted(shipped("scenes").glob("*.toml")), *sorted(shipped("tunings").glob("*.toml"))]
    code, out, err = run(capsys, "check", *files)
    assert (code, err) == (0, "")
    assert len(out.splitlines()) == len(files)
    assert out.count(": a scene, ") == len(list(shipped("scenes").glob("*.toml")))
    assert out.count(": a tuning, ") == len(list(shipped("tunings").glob("*.toml")))


def scene_text(**changes):
    """The text of a small scene file with lines of it replaced, or added where they are not there."""
    lines = {"name": 'name = "yard"', "duration_s": "duration_s = 5.0"} | changes
    legs = '[[path.legs]]\ndirection = "forward"\nsegments = [{ length_m = 9.0 }]\n'
    return "\n".join(lines.values()) + "\n" + legs


NEITHER = "is neither a scene nor a tuning nor a mapping"


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("a.toml", "name = ", "a.toml: is not valid TOML: Invalid value (at end of document)"),
        ("a.toml", "", f"a.toml: {NEITHER}: it is empty, none of its keys is known"),
        ("a.toml", "colour = 3", f"a.toml: {NEITHER}: none (colour) of its keys is known"),
        ("a.toml", "cycle_s = 0.05\ncicle_s = 1", "a.toml: cicle_s: unknown key; did you mean 'cycle_s'?"),
        ("a.toml", "[decision]\nclearance_m = nan", f"a.toml: decision.clearance_m: {FINITE}, got nan"),
        ("a.toml", "cycle_s = 9", f"a.toml: cycle_s: {AT_MOST} 0.2, got 9"),
        ("a.toml", 'cycle_s = "0.05"', "a.toml: cycle_s: input should be a valid number, got '0.05'"),
        ("a.toml", scene_text(duration_s="duration_s = -1"), f"a.toml: duration_s: {AT_LEAST} 0.5, got -1"),
        ("a.toml", scene_text(more="wals = []"), "a.toml: wals: unknown key; did you mean 'walls'?"),
        ("a.toml", scene_text(duration_s="duration_s = inf"), f"a.toml: duration_s: {FINITE}, got inf"),
        (
            "a.toml", "[people]\ntop_speed_mps = [1]",
            "a.toml: people.top_speed_mps: input should be a valid number, got [1]",
        ),
        ("b.parquet", "", "b.parquet: is empty"),
        ("b.parquet", "PAR1 and no more", "b.parquet: is cut off: the end of the Parquet file is missing"),
        ("c.dat", "PAR1 and no more", "c.dat: is cut off: the end of the Parquet file is missing"),
        ("d.toml", b"\x80\x81", "d.toml: is not UTF-8 text: byte 0 cannot be read"),
    ],
)  # fmt: skip
def test_a_file_that_does_not_fit_is_named_with_field_and_value(name, text, message, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path(name).write_bytes(text if isinstance(text, bytes) else text.encode())
    code, out, err = run(capsys, "check", name)
    assert (code, out, err) == (2, "", f"avoidkit check: {message}\n")


def test_one_bad_file_does_not_hide_the_others(capsys, tmp_path):
    bad = tmp_path / "none.toml"
    code, out, err = run(capsys, "check", bad, shipped("tunings") / "baseline.toml")
    assert code == 2
    assert err == f"avoidkit check: {bad}: no such file\n"
    assert "a tuning, 'baseline'" in out


def test_mend_turns_a_left_over_stream_into_a_recording(capsys, tmp_path):
    path, part = tmp_path / "run.parquet", tmp_path / "run.parquet.part"
    recorder = Recorder(path, made_scene(), Tuning(), 3)
    for row in made_rows(50):
        recorder.add(row)
    code, out, err = run(capsys, "check", "--mend", part)
    assert (code, err) == (0, "")
    assert out == f"{path}: 41 rows, 2.00 s saved from {part}\n"
    assert os.listdir(tmp_path) == ["run.parquet"]
    code, out, err = run(capsys, "check", "--mend", path)
    assert (code, err) == (2, f"avoidkit check: {path}: has nothing to mend: its name does not end with .part\n")


def test_the_schema_is_one_that_the_shipped_files_keep(capsys):
    import tomllib

    for kind, folder in (("tuning", "tunings"), ("scene", "scenes")):
        code, out, _ = run(capsys, "check", "--schema", kind)
        assert code == 0
        validator = jsonschema.Draft202012Validator(json.loads(out))
        validator.check_schema(validator.schema)
        files = list(shipped(folder).glob("*.toml"))
        assert files
        for file in files:
            validator.validate(tomllib.loads(file.read_text(encoding="utf-8")))
        assert not validator.is_valid({"no_such_key": 1})


def test_columns_are_printed_with_their_units(capsys):
    code, out, _ = run(capsys, "check", "--columns")
    assert code == 0
    assert len(out.splitlines()) == len(COLUMNS) + 1
    assert "scans.range_rate_mps" in out


def test_check_without_anything_to_check_says_what_it_wants(capsys):
    code, _, err = run(capsys, "check")
    assert (code, err) == (
        2,
        "avoidkit check: name at least one file, or say --schema or --columns; --help shows all\n",
    )


# ---- demo ----


def test_demo_writes_one_page_beside_the_recording(capsys, tmp_path):
    path, page = tmp_path / "run.parquet", tmp_path / "run.html"
    record(path, made_rows(40), made_scene())
    code, out, err = run(capsys, "demo", path, "--from", "0.5", "--to", "1")
    assert (code, err) == (0, "")
    assert out.startswith(f"{page}: ")
    assert CAUTION in out
    text = page.read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>")
    assert "http://" not in text.replace("http://www.w3.org/", "")
    code, out, err = run(capsys, "demo", path)
    assert (code, out) == (2, "")
    assert err == f"avoidkit demo: {page}: is there already; choose another name, or say --force to replace it\n"
    assert page.read_text(encoding="utf-8") == text


def test_demo_of_nothing_is_a_mistake(capsys, tmp_path):
    path = tmp_path / "run.parquet"
    code, _, err = run(capsys, "demo", path)
    assert (code, err) == (2, f"avoidkit demo: {path}: no such file\n")
    code, _, err = run(capsys, "demo", path, "--every", "0")
    assert (code, err) == (2, "avoidkit demo: --every must be at least 1, got 0\n")
    record(path, made_rows(3), made_scene())
    code, _, err = run(capsys, "demo", path, "--from", "9")
    assert code == 2
    assert os.listdir(tmp_path) == ["run.parquet"]


def test_demo_looks_at_every_ending_before_it_writes_anything(capsys, tmp_path):
    path = tmp_path / "run.parquet"
    record(path, made_rows(40), made_scene())
    txt = tmp_path / "a.txt"
    for option, ending in (("--gif", ".gif"), ("--out", ".html")):
        code, out, err = run(capsys, "demo", path, option, txt)
        assert (code, out, err) == (2, "", f"avoidkit demo: {txt}: a name that ends with {ending} was wanted\n")
    code, out, err = run(capsys, "demo", "--review", path, "--out", txt)
    assert (code, out, err) == (2, "", f"avoidkit demo: {txt}: a name that ends with .html was wanted\n")
    assert os.listdir(tmp_path) == ["run.parquet"]


def test_demo_names_its_own_options_where_no_row_lies_between(capsys, tmp_path):
    path = tmp_path / "run.parquet"
    record(path, made_rows(40), made_scene())
    said = "no recorded row lies between"
    for asked, wanted in (
        (["--from", "nan"], "--from must be a finite number of seconds, got nan"),
        (["--to", "inf"], "--to must be a finite number of seconds, got inf"),
        (["--from", "900"], f"--from 900.0: {said}"),
        (["--to", "-2"], f"--to -2.0: {said}"),
        (["--from", "1", "--to", "0.5"], f"--from 1.0, --to 0.5: {said}"),
    ):
        assert run(capsys, "demo", path, *asked) == (2, "", f"avoidkit demo: {wanted}\n")
    assert os.listdir(tmp_path) == ["run.parquet"]


# ---- places ----


def test_every_kind_of_data_that_is_listed_is_there():
    assert all(any(shipped(kind).iterdir()) for kind in KINDS)
    with pytest.raises(InputError, match=r"^kind must be one of scenes, .*, got 'recordings'$"):
        shipped("recordings")


# ---- a file of another kind ----


def test_a_file_of_another_kind_is_named_as_what_it_is_and_nothing_else(capsys, tmp_path):
    scene, tuning = shipped("scenes") / "lane_6m.toml", shipped("tunings") / "baseline.toml"
    mapping = shipped("mappings") / "yard_list.toml"
    log = tmp_path / "log.csv"
    for asked, said in (
        (["drive", tuning], f"{tuning}: is a tuning, a scene was wanted"),
        (["drive", mapping], f"{mapping}: is a mapping, a scene was wanted"),
        (["drive", "lane_6m", "--tuning", scene], f"{scene}: is a scene, a tuning was wanted"),
        (["drive", "lane_6m", "--tuning", mapping], f"{mapping}: is a mapping, a tuning was wanted"),
        (["import", log, "--mapping", tuning], f"{tuning}: is a tuning, a mapping was wanted"),
        (["import", log, "--mapping", scene], f"{scene}: is a scene, a mapping was wanted"),
    ):
        assert run(capsys, *asked) == (2, "", f"avoidkit {asked[0]}: {said}\n")


def test_the_keys_by_which_files_are_told_apart_are_those_that_no_other_kind_has():
    from avoidkit.logs.mapping import Mapping
    from avoidkit.scene import Scene

    fields = {
        "scene": set(Scene.model_fields),
        "tuning": set(Tuning.model_fields),
        "mapping": set(Mapping.model_fields),
    }
    for kind, mine in fields.items():
        others = set().union(*(theirs for other, theirs in fields.items() if other != kind))
        assert set(KEYS_OF_FILES[kind]) == mine - others


def test_one_of_a_kind_is_not_called_many(capsys):
    code, out, _ = run(capsys, "check", shipped("scenes") / "lane_6m.toml", shipped("scenes") / "guest_crosses.toml")
    assert code == 0
    assert ": a scene, 'lane_6m': 1 person, path of " in out
    assert ": a scene, 'guest_crosses': 2 people, path of " in out


def test_an_exported_mapping_carries_the_caution_and_is_still_read(capsys, tmp_path):
    from avoidkit.logs import load_mapping

    record(tmp_path / R, made_rows(20), made_scene())
    code, _, err = run(capsys, "export", tmp_path / R, "--out", tmp_path / "run.csv")
    assert (code, err) == (0, "")
    mapping = tmp_path / "run.csv.mapping.toml"
    assert CAUTION in mapping.read_text(encoding="utf-8").splitlines()[0]
    assert load_mapping(mapping).format == "csv"


# ---- help ----


def test_help_carries_the_caution_and_only_commands_that_exist(capsys):
    commands = cli.parser()._subparsers._group_actions[0].choices
    for arguments in (["--help"], *([name, "--help"] for name in commands)):
        with pytest.raises(SystemExit) as caught:
            main(arguments)
        assert caught.value.code == 0
        assert CAUTION in " ".join(capsys.readouterr().out.split())
    assert all(callable(command.get_default("run")) for command in commands.values())


def test_an_unknown_command_is_a_mistake(capsys):
    with pytest.raises(SystemExit) as caught:
        main(["fly"])
    assert caught.value.code == 2
    assert "fly" in capsys.readouterr().err


# ---- the summary ----


def test_a_contact_while_moving_cannot_be_overlooked(capsys, tmp_path):
    import dataclasses

    scene = made_scene()
    rows = [dataclasses.replace(row, contacts=()) for row in made_rows(20, scene=scene)]
    moving = dataclasses.replace(rows[7].ego, speed_mps=0.4)
    rows[7] = dataclasses.replace(rows[7], ego=moving, contacts=("Ada",))
    record(tmp_path / "run.parquet", rows, scene)
    _, out, _ = run(capsys, "check", tmp_path / "run.parquet")
    assert "contacts     WHILE MOVING: Ada at 0.35 s; at rest: none" in out


R = "run.parquet"


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["drive", "guest_crosses", "--out", "run.csv"], "run.csv: a name that ends with .parquet was wanted"),
        (["drive", "guest_crosses", "--out", "nix/run.parquet"], "nix/run.parquet: there is no folder nix"),
        (["drive", "lane_6m", "--out", "made.parquet", "--force"], "made.parquet: is a folder, a file was wanted"),
        (["redecide", "made.parquet"], "made.parquet: is a folder, recordings (Parquet, .part) were wanted"),
        (["redecide", R, "--picture", "nix/a.png"], "nix/a.png: there is no folder nix"),
        (["redecide", R, "--table", "nix/a.csv"], "nix/a.csv: there is no folder nix"),
        (["redecide", R, "--picture", "a.txt"], "a.txt: a name that ends with .png was wanted"),
        (["redecide", R, "--workers", "0"], "--workers must be at least 1, got 0"),
        (["gate", ".", "--tuning", "baseline", "--table", "nix/a.csv"], "nix/a.csv: there is no folder nix"),
        (["gate", ".", "--tuning", "baseline", "--workers", "-1"], "--workers must be at least 1, got -1"),
        (["export", R, "--out", "nix/a.csv"], "nix/a.csv: there is no folder nix"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_written_is_refused_before_anything_is_computed(
    asked, said, capsys, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    Path("made.parquet").mkdir()
    Path(R).write_text("no recording: nobody looks into it yet", encoding="utf-8")
    code, out, err = run(capsys, *asked)
    assert (code, out, err) == (2, "", f"avoidkit {asked[0]}: {said}\n")


@pytest.mark.parametrize("name", ORDER)
def test_the_help_of_each_command_shows_an_example_that_can_be_parsed_and_the_caution(name, capsys):
    name = name.removesuffix("_log")
    with pytest.raises(SystemExit):
        main([name, "--help"])
    told = capsys.readouterr().out
    assert "A desk prototype, not evidence of safety" in told
    lines = [line.split() for line in told.splitlines() if line.startswith("  avoidkit ")]
    assert lines
    for line in lines:
        assert parser().parse_args(line[1:]).command == name
