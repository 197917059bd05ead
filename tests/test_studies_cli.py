"""The studies on the command line: tables and pictures in a folder, going on from it, mistakes without a traceback."""

import pandas as pd
import pytest

from avoidkit.cli import main


def run(capsys, *arguments):
    """(exit code, stdout, stderr) of one command line in this process."""
    code = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out, err


def test_map_writes_table_and_picture_of_two_tunings_and_their_difference(capsys, tmp_path):
    lattice = ["--x=5:11:3", "--y=-1:1.4:3"]
    code, out, _ = run(
        capsys, "map", "guest_stands_room", "--against", "slow_brakes", *lattice, "--out", tmp_path, "--quiet"
    )
    assert code == 0
    assert "9 places where somebody can be, exact knowledge" in out
    assert "not evidence of safety" in out
    for name in ("map.parquet", "map.csv", "map.png", "map.svg", "difference.csv", "difference.png"):
        assert (tmp_path / name).stat().st_size > 0
    assert len(pd.read_csv(tmp_path / "map.csv")) == 9


def test_sweep_writes_tables_and_goes_on_from_a_finished_folder(capsys, tmp_path, monkeypatch):
    monkeypatch.setattr("avoidkit.studies.run.code_hash", lambda: "as it was")  # others may be at work on the kit
    command = ["sweep", "guest_crosses", "--over", "decision.clearance_m=0.2,0.4", "--seeds", "0-1", "--exact"]
    command += ["--duration", "0.3", "--out", tmp_path, "--quiet"]
    code, out, _ = run(capsys, *command)
    assert code == 0
    assert "4 drives: 2 settings, 1 scene, 2 seeds (0-1)" in out
    table = pd.read_parquet(tmp_path / "sweep.parquet")
    assert table["decision.clearance_m"].tolist() == [0.2, 0.2, 0.4, 0.4]
    assert (tmp_path / "tradeoff.svg").stat().st_size > 0
    again, _, _ = run(capsys, *command)
    assert again == 0
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "sweep.parquet"), table)
    code, _, err = run(capsys, *command[:5], "0-2", *command[6:])
    assert code == 2
    assert "holds another study: seeds was 0 1, is 0 1 2" in err


def test_compare_writes_the_paired_tables(capsys, tmp_path):
    code, out, _ = run(
        capsys, "compare", "baseline", "slow_brakes", "guest_crosses", "--seeds", "3", "--exact", "--duration", "0.3",
        "--record", "--out", tmp_path, "--quiet",
    )  # fmt: skip
    assert code == 0
    assert "baseline against slow_brakes" in out
    assert "contact while moving: baseline 0 of 1 (below 95 % with 95 % confidence)" in out
    assert sorted(file.name for file in (tmp_path / "recordings").iterdir()) == [
        "guest_crosses-3-a.parquet", "guest_crosses-3-b.parquet"
    ]  # fmt: skip
    assert (tmp_path / "compare.png").stat().st_size > 0


OVER = ["sweep", "guest_crosses", "--over", "decision.clearance_m=0.1:0.3"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["sweep", "guest_crosses", "--over", "decision.clearence_m=0.1:0.3"], "did you mean 'decision.clearance_m'?"),
        (["sweep", "guest_crosses", "--over", "decision.clearance_m"], "--over: FIELD=VALUES was wanted"),
        (["sweep", "guest_croses", "--over", "decision.clearance_m=0.1,0.2"], "guest_croses"),
        (["sweep", "guest_crosses", "--over", "decision.clearance_m=0.1,0.2", "--seeds", "1,1"], "got 1 twice"),
        (
            ["sweep", "guest_crosses", "--over", "decision.clearance_m=0.1,0.2", "--seeds", "a"],
            "--seeds: numbers such as",
        ),
        (["map", "guest_crosses", "--x", "1:2"], "--x: LOW:HIGH:N, such as -2:14:33, was wanted, got '1:2'"),
        (["stress", "guest_crosses", "--budget", "3"], "stress: --budget must be an integer of at least 40, got 3"),
        (["stress", "guest_crosses", "--also", "latency_s"], "--also: WHAT=LOW:HIGH was wanted, got 'latency_s'"),
        (["compare", "baseline", "baseline", "guest_crosses"], "nothing differs"),
        (["compare", "baseline", "slow_brakes", "guest_crosses", "--duration", "1e30"], "--duration must be above 0"),
        (
            ["stress", "guest_crosses", "--also", "foo=1:2"],
            "--also: one of length_m, width_m, wheelbase_m, rear_overhang_m, steering_max_deg, "
            "steering_rate_max_deg_per_s, latency_s, brake_build_up_s, brake_mps2, accel_mps2, creep_mps, "
            "top_mps, or a sensor and a kind of fault such as 'front_left late', was wanted, got 'foo'\n",
        ),
        (["stress", "guest_crosses", "--also", "latncy_s=1:2"], "got 'latncy_s'; did you mean 'latency_s'?"),
        ([*OVER, "--n", "1"], "sweep: --n must be an integer of at least 2, got 1\n"),
        ([*OVER, "--design", "latin"], "sweep: --design 'latin' needs --n, how many settings\n"),
        ([*OVER, "--design", "sobol", "--n", "6"], "sweep: --n must be a power of 2 for --design 'sobol', got 6\n"),
        ([*OVER, "--design", "pile"], "sweep: --design must be one of grid, latin, sobol, indices, got 'pile'\n"),
        ([*OVER, "--duration", "0"], "sweep: --duration must be above 0 and at most 3600 s, got 0\n"),
        (
            ["map", "guest_crosses", "--speed", "-1"],
            "map: --speed must be that of a person, 0 to 3.3 m/s by this tuning",
        ),
        (
            ["map", "guest_crosses", "--vehicle-speed", "9"],
            "map: --vehicle-speed must be that of the vehicle, 0 to 1.2 m/s",
        ),
        (["map", "guest_crosses", "--sensed", "0"], "map: --sensed must be above 0 and at most 60 s, got 0"),
        (["map", "guest_crosses", "--x=0:inf:5"], "--x: LOW below HIGH and N from 2 to 10000 were wanted"),
        (["map", "guest_crosses", "--workers", "99999"], "--workers must be at most"),
        (
            ["sweep", "guest_crosses", "--over", "decision=0.1,0.2"],
            "over: decision is a section: a field of it, such as",
        ),
        (["sweep", "guest_crosses", "--over", "cycle_s=0.1:0.2:3"], "--over: values a,b,c or a range LOW:HIGH"),
        (["sweep", "guest_crosses", "--over", "cycle_s=0.1,0.2", "--over", "cycle_s=0.1"], "cycle_s was said twice"),
        (
            ["sweep", "guest_crosses", "--over", "decision.clearance_m=0.1:0.3", "--n", "1000000"],
            "at most 100000 settings",
        ),
        (["map", "guest_crosses", "--workers", "0"], "--workers must be at least 1, got 0"),
    ],
)
def test_a_mistake_ends_with_code_2_and_a_sentence(capsys, tmp_path, arguments, said):
    code, _, err = run(capsys, *arguments, "--out", tmp_path / "out", "--quiet")
    assert code == 2
    assert said in err


@pytest.mark.parametrize(
    ("command", "name"),
    [
        ("map", "map.csv"),
        ("map", "map.png"),
        ("map", "difference.svg"),
        ("stress", "trials.csv"),
        ("stress", "worst-2.toml"),
    ],
)
def test_a_file_of_the_users_own_is_not_replaced_by_a_study(capsys, tmp_path, command, name):
    (tmp_path / name).write_text("precious", encoding="utf-8")
    code, out, err = run(capsys, command, "guest_crosses", "--out", tmp_path, "--quiet")
    said = f"{tmp_path / name}: is there already; choose another folder, or say --force to replace it"
    assert (code, out, err) == (2, "", f"avoidkit {command}: {said}\n")
    assert (tmp_path / name).read_text(encoding="utf-8") == "precious"
    assert [file.name for file in tmp_path.iterdir()] == [name]


def test_a_map_replaces_its_own_tables_and_others_by_force(capsys, tmp_path, monkeypatch):
    monkeypatch.setattr("avoidkit.studies.run.code_hash", lambda: "as it was")  # others may be at work on the kit
    (tmp_path / "map.csv").write_text("precious", encoding="utf-8")
    command = ["map", "guest_stands_room", "--x=5:11:2", "--y=-1:1.4:2", "--out", tmp_path, "--quiet"]
    for asked in ([*command, "--force"], command):
        code, _, err = run(capsys, *asked)
        assert (code, err) == (0, "")
        assert len(pd.read_csv(tmp_path / "map.csv")) == 4


def test_an_interrupted_study_says_what_it_keeps(capsys, tmp_path, monkeypatch):
    def interrupt(parcel):
        raise KeyboardInterrupt

    monkeypatch.setattr("avoidkit.studies.run.carry", interrupt)
    command = ["map", "guest_crosses", "--x=5:9:2", "--y=-1:1:2", "--out", tmp_path / "out", "--quiet"]
    code, _, err = run(capsys, *command)
    assert code == 130
    assert "map: 0 of 2 rows are kept in" in err
    assert "the same call goes on from there" in err
