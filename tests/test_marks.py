"""What a person noted on a recording is kept beside it, checked, and held against verdicts."""

import re

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.studies.marks import (
    Marks,
    add_mark,
    counted,
    judged,
    load_marks,
    marks_beside,
    marks_path,
    save_marks,
    stands,
)

TIMES = np.arange(0.0, 2.01, 0.05)


def complaint(text, tmp_path, times_s=None):
    path = tmp_path / "run.marks.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_marks(path, times_s)
    return str(caught.value).replace(f"{path}: ", "")


def test_marks_that_are_written_are_read_again(tmp_path):
    marks = Marks(recording="run.parquet")
    marks = add_mark(marks, "halt needed", 0.5, 0.8, note='she said "stop"\nand = meant it')
    marks = add_mark(marks, "contact near", 1.2)
    save_marks(marks, marks_path(tmp_path / "run.parquet"))
    assert marks_beside(tmp_path / "run.parquet", TIMES) == marks
    assert marks_beside(tmp_path / "run.parquet.part", TIMES) == marks  # of a killed drive, the same file


def test_without_a_file_there_are_no_marks(tmp_path):
    assert marks_beside(tmp_path / "run.parquet", TIMES) is None


def test_no_marks_at_all_are_a_file_too(tmp_path):
    save_marks(Marks(recording="run.parquet"), tmp_path / "run.marks.toml")
    assert len(load_marks(tmp_path / "run.marks.toml")) == 0


def test_a_kind_that_is_none_is_refused_with_the_kinds_there_are(tmp_path):
    said = complaint('[[mark]]\nkind = "halt"\nfrom_s = 1.0\n', tmp_path)
    assert said == "mark.0.kind: input should be 'halt needed', 'not needed' or 'contact near', got 'halt'"


def test_an_end_before_the_beginning_is_refused(tmp_path):
    said = complaint('[[mark]]\nkind = "not needed"\nfrom_s = 1.0\nto_s = 0.5\n', tmp_path)
    assert said == "mark.0: to_s must not be before from_s, got 0.5 before 1.0"


def test_nan_an_unknown_key_and_broken_text_are_refused(tmp_path):
    assert "mark.0.from_s: " in complaint('[[mark]]\nkind = "not needed"\nfrom_s = nan\n', tmp_path)
    said = complaint('[[mark]]\nkind = "not needed"\nfrom_s = 1.0\nuntil = 2.0\n', tmp_path)
    assert said.startswith("mark.0.until: unknown key")
    assert complaint("[[mark", tmp_path).startswith("is not valid TOML: ")


def test_a_halt_that_is_both_needed_and_not_is_refused(tmp_path):
    text = '[[mark]]\nkind = "halt needed"\nfrom_s = 0.5\nto_s = 1.0\n[[mark]]\nkind = "not needed"\nfrom_s = 1.0\n'
    assert complaint(text, tmp_path) == "(whole file): a halt cannot be both needed and not needed at 1 s"


def test_a_mark_outside_the_recording_is_refused(tmp_path):
    said = complaint('[[mark]]\nkind = "halt needed"\nfrom_s = 1.9\nto_s = 2.5\n', tmp_path, TIMES)
    assert said == ("mark 1 (halt needed, 1.9 to 2.5 s) lies outside the recording, which has 41 rows from 0 to 2 s")


def test_a_file_larger_than_any_marks_is_refused_unread(tmp_path):
    path = tmp_path / "run.marks.toml"
    path.write_bytes(b"#" * 1_000_001)
    with pytest.raises(InputError, match=f"^{re.escape(str(path))}: is too large for marks: 1000001 bytes, at most"):
        load_marks(path)


def test_a_mark_of_one_instant_is_of_the_last_cycle_at_or_before_it():
    marks = add_mark(Marks(), "halt needed", 0.52)
    assert np.flatnonzero(marks.cycles(marks.mark[0], TIMES)).tolist() == [10]  # 0.50 s
    marks = add_mark(Marks(), "halt needed", 0.5, 0.6)
    assert np.flatnonzero(marks.cycles(marks.mark[0], TIMES)).tolist() == [10, 11, 12]


def test_marks_are_held_against_verdicts_cycle_by_cycle():
    marks = add_mark(add_mark(Marks(), "halt needed", 0.0, 0.15), "not needed", 0.25, 0.35)
    marks = add_mark(marks, "contact near", 0.2, 0.3)
    actions = ["halt", "halt", "continue", "halt", "continue", "halt", "continue", "continue"]
    caps = [0.0, 0.0, 0.3, 0.0, 0.4, 0.0, 0.3, 1.2]
    results = judged(marks, TIMES[:8], actions, ["gap to reach"] * 8, caps, 0.3)
    assert [(r["cycles"], r["wrong"], r["met"]) for r in results] == [(4, 1, False), (3, 1, False), (3, 1, False)]
    assert counted(results) == {"halt needed": (1, 1), "not needed": (1, 1), "contact near": (1, 1)}


def test_a_stop_that_the_operator_wanted_is_no_needless_halt():
    marks = add_mark(Marks(), "not needed", 0.0, 0.05)
    released = judged(marks, TIMES[:2], ["wait"] * 2, ["hold-to-run held"] * 2, [0.0] * 2, 0.3)
    renewal = judged(marks, TIMES[:2], ["wait"] * 2, ["renewal by operator"] * 2, [0.0] * 2, 0.3)
    assert [released[0]["met"], renewal[0]["met"]] == [True, False]
    assert stands("wait", "hold-to-run held")
    assert not stands("wait", "hold-to-run held", by_itself=True)


def test_an_unknown_speed_cap_is_never_slow_enough():
    marks = add_mark(Marks(), "contact near", 0.0)
    assert not judged(marks, TIMES[:1], ["continue"], ["x"], [float("nan")], 0.3)[0]["met"]
