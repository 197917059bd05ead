"""A recording goes out as CSV or MDF4 and comes back: no sample differs, no cell is a formula, nothing overwritten."""

import csv
import dataclasses
import json

import numpy as np
import pytest

from avoidkit import load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.drive import drive
from avoidkit.logs import export_log, load_mapping, read_log
from avoidkit.recording import Recorder


@pytest.fixture(scope="module")
def driven(tuning):
    """Two seconds of a drive with all sensors."""
    scene = load_scene(shipped("scenes") / "guest_crosses.toml")
    return drive(scene, tuning, seed=2, duration_s=2.0)


@pytest.mark.parametrize("ending", ["csv", "mf4"])
def test_a_drive_comes_back_sample_by_sample(driven, tmp_path, ending):
    if ending == "mf4":
        pytest.importorskip("asammdf")
    file, mapping = export_log(driven, tmp_path / f"run.{ending}")
    again = read_log(file, mapping, tuning=driven.tuning)
    assert again.mark == ""
    for mine, others in zip(driven.rows, again.rows, strict=True):
        assert (mine.time_s, mine.ego, mine.hold) == (others.time_s, others.ego, others.hold)
        assert [(s.sensor, s.taken_s, s.arrives_s, s.health) for s in mine.scans] == [
            (s.sensor, s.taken_s, s.arrives_s, s.health) for s in others.scans
        ]
        for a, b in zip(mine.scans, others.scans, strict=True):
            for name in ("range_m", "azimuth_rad", "range_rate_mps", "snr_db"):
                np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
        assert (mine.echoes is None) == (others.echoes is None)
        if mine.echoes is not None:
            np.testing.assert_array_equal(mine.echoes.first_m, others.echoes.first_m)
            assert (mine.echoes.taken_s, mine.echoes.arrives_s) == (others.echoes.taken_s, others.echoes.arrives_s)


def test_no_cell_of_the_table_is_a_formula(driven, tmp_path):
    row = driven.rows[0]
    hostile = dataclasses.replace(row.verdict, why='=HYPERLINK("http://x","y")')
    recorder = Recorder(None, driven.scene, driven.tuning, 1)
    for k, why in enumerate(("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", hostile.why)):
        verdict = dataclasses.replace(row.verdict, why=why)
        recorder.add(dataclasses.replace(row, time_s=0.05 * k, verdict=verdict))
    file, _ = export_log(recorder.close(), tmp_path / "run.csv")
    with open(file, newline="", encoding="utf-8") as lines:
        table = list(csv.reader(lines))
    texts = [cell for line in table for cell in line if not _is_number(cell)]
    assert not [cell for cell in texts if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    column = table[0].index("why")
    assert [line[column] for line in table[1:3]] == ["'=1+1", "'+1"]


def _is_number(cell):
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_nothing_is_overwritten_unless_told_to(driven, tmp_path):
    (tmp_path / "run.csv.mapping.toml").write_text("mine")
    with pytest.raises(InputError, match=r"run.csv.mapping.toml: is there already"):
        export_log(driven, tmp_path / "run.csv")
    assert not (tmp_path / "run.csv").exists()
    export_log(driven, tmp_path / "run.csv", replace=True)
    assert load_mapping(tmp_path / "run.csv.mapping.toml").format == "csv"
    assert sorted(file.name for file in tmp_path.iterdir()) == ["run.csv", "run.csv.mapping.toml"]


def test_another_ending_is_refused(driven, tmp_path):
    with pytest.raises(InputError, match=r"a name that ends with .csv, .mf4 or .mdf was wanted$"):
        export_log(driven, tmp_path / "run.xlsx")


def test_import_tells_what_it_found_first_and_export_brings_it_back(driven, tmp_path, capsys):
    from avoidkit.cli import main

    driven.between(0.0, 1.0).save(tmp_path / "run.parquet")
    assert main(["export", str(tmp_path / "run.parquet"), "--out", str(tmp_path / "run.csv")]) == 0
    said = ["import", str(tmp_path / "run.csv"), "--mapping", str(tmp_path / "run.csv.mapping.toml")]
    capsys.readouterr()
    assert main([*said, "--out", str(tmp_path / "again.parquet")]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[0] == "run.csv: csv, 1.00 s from 0.000 s on its clock"
    assert out[1].startswith("  found    own.speed")
    assert any(line.startswith(f"{tmp_path / 'again.parquet'}: 21 rows, 1.00 s") for line in out)
    assert main([*said, "--out", str(tmp_path / "again.parquet")]) == 2
    assert "is there already" in capsys.readouterr().err


def test_a_mistake_on_the_command_line_is_one_line_and_exit_code_2(tmp_path, capsys):
    from avoidkit.cli import main

    (tmp_path / "map.toml").write_text('name = "a"\nformat = "csv"\n[own]\nstands = true\n')
    assert main(["import", "no.csv", "--mapping", str(tmp_path / "map.toml")]) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"avoidkit import: {tmp_path / 'map.toml'}: (whole file): time: a channel was wanted")
    assert "Traceback" not in error


def test_the_shipped_mapping_is_one_and_is_that_of_the_made_log(capsys):
    from avoidkit.cli import main
    from tests import made_logs

    template = shipped("mappings") / "yard_list.toml"
    assert load_mapping(template) == made_logs.mapping("csv")
    assert main(["check", str(template)]) == 0
    assumed = "ASSUMED, NOT MEASURED: free space in view; ultrasonics silent"
    assert capsys.readouterr().out == f"{template}: a mapping of csv logs, 'yard list'; {assumed}\n"
    assert main(["check", "--schema", "mapping"]) == 0
    assert json.loads(capsys.readouterr().out)["properties"]["own"]["description"] == "own motion"
