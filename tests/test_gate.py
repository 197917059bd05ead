"""The gate lets nothing through that breaks a promise, and lets through what breaks none."""

import xml.etree.ElementTree as tree
from dataclasses import replace

import pytest

from avoidkit import Action, decide, save_tuning
from avoidkit.checks import InputError
from avoidkit.cli import main
from avoidkit.drive import drive
from avoidkit.scene import standing
from avoidkit.studies.gate import Examined, Limits, Report, gate, needless_promise, promises_of
from avoidkit.studies.junit import junit_xml
from avoidkit.studies.marks import Marks, add_mark, marks_path, save_marks
from tests.made_rows import made_scene

DURATION_S = 5.2  # hold-to-run is pressed at 1 s; without a brake somebody 3.5 m ahead is touched by 5 s


@pytest.fixture(scope="module")
def baseline(tuning, tmp_path_factory):
    """A folder with one short drive up to somebody who stands in the way."""
    folder = tmp_path_factory.mktemp("baseline")
    scene = made_scene(standing("Ada", tuning.vehicle.length_m - tuning.vehicle.rear_overhang_m + 3.5, 0.0))
    drive(scene, tuning, seed=2, duration_s=DURATION_S, out=folder / "close.parquet")
    return folder


@pytest.fixture(scope="module")
def unchanged(baseline, tuning):
    """The gate's report on nothing new."""
    return gate(baseline, tuning)


@pytest.fixture(scope="module")
def nuisance(baseline, tuning):
    """The gate's report on a decision that halts for nothing."""
    return gate(baseline, tuning, decide=timid)


def blind(situation, tuning):
    """A planted regression: nobody is ever seen."""
    nobody = situation.tracks.where(situation.tracks.ids < 0)
    verdict = decide(replace(situation, tracks=nobody), tuning)
    return replace(verdict, action=Action.CONTINUE, speed_cap_mps=1.0) if situation.hold.pressed else verdict


def timid(situation, tuning):
    """A planted nuisance: halts long before there is a reason."""
    verdict = decide(situation, tuning)
    if not 1.4 <= situation.time_s < 1.7:
        return verdict
    memory = replace(verdict.memory, action=Action.HALT, halted=True)
    return replace(verdict, action=Action.HALT, speed_cap_mps=0.0, settled_by="timid", memory=memory)


def test_nothing_changed_is_let_through(unchanged):
    assert unchanged.passed
    [one] = unchanged.examined
    assert one.again.identical
    assert one.same_drive
    assert unchanged.lines()[1] == "  close.parquet: verdicts identical; the same drive again"


def test_a_planted_regression_is_stopped_with_the_promise_it_breaks(baseline, tuning):
    report = gate(baseline, tuning, decide=blind)
    assert not report.passed
    assert "no contact while moving" in {promise.name for promise in report.broken}
    assert any(line.startswith("  BROKEN   close.parquet: no contact while moving: ") for line in report.lines())


def test_needless_halts_beyond_those_allowed_are_stopped(nuisance):
    assert [promise.name for promise in nuisance.broken] == ["at most 0 new needless halts"]
    assert nuisance.examined[0].new_needless == 1
    assert needless_promise(nuisance.examined, Limits(new_needless_halts=1)).holds


def test_a_gap_below_the_limit_is_stopped(unchanged):
    [one] = unchanged.examined
    gap_m = one.after["nearest_gap_m"]
    held = [p for p in promises_of(one, Limits(gap_m=gap_m - 0.01)) if p.name.startswith("gap")]
    broken = [p for p in promises_of(one, Limits(gap_m=gap_m + 0.01)) if p.name.startswith("gap")]
    assert [held[0].holds, broken[0].holds] == [True, False]


def test_an_unknown_gap_keeps_no_promise(unchanged):
    [one] = unchanged.examined
    unknown = Examined(one.name, one.again, one.before, one.after | {"nearest_gap_m": float("nan")}, False, 0.0)
    assert [p.holds for p in promises_of(unknown, Limits()) if p.name.startswith("gap")] == [False]


def test_a_mark_that_was_met_and_is_no_longer_is_a_broken_promise(baseline, tuning):
    path = baseline / "close.parquet"
    save_marks(add_mark(Marks(), "halt needed", 5.0, DURATION_S, "no way past"), marks_path(path))
    try:
        report = gate([path], tuning, decide=blind)
    finally:
        marks_path(path).unlink()
    lost = next(promise for promise in report.broken if promise.name == "marks that were met are met")
    assert lost.found == "halt needed 5.00 to 5.20 s no way past"
    assert "  marks: 1, met before 1, met now 0" in report.lines()


def test_a_decision_that_raises_is_a_broken_promise(baseline, tuning):
    def stumbling(situation, tuning):
        if situation.time_s > 5.1:
            raise ZeroDivisionError("oh")
        return decide(situation, tuning)

    broken = [
        promise for promise in gate(baseline, tuning, decide=stumbling).broken if promise.name == "no stage fails"
    ]
    assert broken[0].found.endswith("cycles with errors decision: ZeroDivisionError: oh")


def test_the_junit_file_parses_and_counts_what_broke(nuisance):
    root = tree.fromstring(junit_xml(nuisance))
    cases = root.findall("./testsuite/testcase")
    failures = root.findall("./testsuite/testcase/failure")
    assert root.tag == "testsuites"
    assert (int(root.get("tests")), int(root.get("failures"))) == (len(cases), len(failures)) == (4, 1)
    assert failures[0].get("type") == "promise broken"
    assert {case.get("classname") for case in cases} == {"gate.close.parquet", "gate.whole set"}


def test_names_with_markup_and_control_signs_leave_the_junit_file_whole(unchanged):
    report = unchanged
    odd = replace(report.promises[0], recording='<a&"\x00\x1b]]>', holds=False, found="\ud800 & <b>")
    text = junit_xml(Report(report.tuning, report.limits, report.examined, (odd,), 0.0))
    assert tree.fromstring(text.encode("utf-8")).find("./testsuite/testcase").get("classname") == 'gate.<a&"]]>'


def test_the_command_ends_with_0_or_1_and_writes_the_files(baseline, tuning, tmp_path, capsys):
    xml, bad = tmp_path / "gate.xml", tmp_path / "bad.toml"
    assert main(["gate", str(baseline), "--tuning", "baseline", "--junit", str(xml)]) == 0
    assert tree.parse(xml).getroot().get("failures") == "0"
    assert "PASSED" in capsys.readouterr().out
    reckless = {"vehicle.creep_mps": 0.6, "decision.clearance_m": 0.0, "people.body_radius_m": 0.1}
    reckless |= {"people.k_sigma": 0.0, "people.standing_accel_mps2": 0.5, "decision.standoff_m": 0.0}
    save_tuning(tuning.replace(reckless | {"name": "reckless"}), bad)
    code = main(["gate", str(baseline), "--tuning", str(bad), "--junit", str(xml), "--force", "--gap", "0.5"])
    said = capsys.readouterr().out
    assert code == 1, said
    assert int(tree.parse(xml).getroot().get("failures")) >= 1
    assert "BROKEN   close.parquet: gap while moving at least 0.5 m" in said


def test_an_empty_folder_and_a_limit_that_is_none_are_mistakes(tmp_path, tuning, capsys):
    with pytest.raises(InputError, match=r"holds no recordings \(\*\.parquet\)$"):
        gate(tmp_path, tuning)
    assert main(["gate", str(tmp_path), "--tuning", "baseline", "--gap", "-1"]) == 2
    assert "limits: gap_m: input should be greater than or equal to 0, got -1.0" in capsys.readouterr().err
