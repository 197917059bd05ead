"""A decision by another program drives in the closed loop; whatever goes wrong with it is a halt."""

import os
import pickle
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from avoidkit import Action, Tuning, load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.drive import drive
from avoidkit.handover import external
from avoidkit.handover.external import ExternalError
from avoidkit.handover.records import situation_in, situation_out
from avoidkit.handover.situations import made
from avoidkit.handover.verdicts import verdict_in
from avoidkit.handover.wire import from_line, to_line
from avoidkit.scene import standing
from tests.conftest import ROOT
from tests.made_rows import differences, made_scene

DECIDERS = Path(__file__).parent / "deciders"
KIT = [sys.executable, "-c", f"import sys; sys.path.insert(0, {str(ROOT)!r}); "
       "from avoidkit.handover.serve import serve; serve()"]  # fmt: skip


@pytest.fixture(scope="module")
def decider(tmp_path_factory):
    """The command of a decision in C; in awk where there is no compiler."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return awk_command()
    program = tmp_path_factory.mktemp("decider") / "stop_for_tracks"
    source = DECIDERS / "stop_for_tracks.c"
    subprocess.run([compiler, "-O1", "-Wall", "-Werror", "-o", str(program), str(source), "-lm"], check=True)
    return [str(program)]


def awk_command():
    awk = shutil.which("awk")
    if awk is None:
        pytest.skip("neither a C compiler nor awk is there")
    version = subprocess.run([awk, "-W", "version"], capture_output=True, text=True, check=False)
    unbuffered = ["-W", "interactive"] if "mawk" in version.stdout + version.stderr else []
    return [awk, *unbuffered, "-f", str(DECIDERS / "stop_for_tracks.awk")]


def program(text):
    """The command of a small Python program that answers lines; `begin` is answered before."""
    head = "import sys, json, time, os\nline = sys.stdin.readline()\n"
    head += "print(json.dumps({'id': json.loads(line)['id'], 'output': {'ready': True}}), flush=True)\n"
    head += "def say(n, **output): print(json.dumps({'id': n, 'output': output}), flush=True)\n"
    head += "asked = (json.loads(line)['id'] for line in sys.stdin)\n"
    return [sys.executable, "-c", head + text]


def awaited(text, tuning, *, ask=1, **options):
    """What goes wrong when a program is asked, as text; the verdict where nothing does."""
    with external(program(text), **options) as decide:
        for k in range(ask):
            try:
                found = decide(made_at(tuning, 10.0 + 0.05 * k), tuning)
            except ExternalError as error:
                found = str(error)
    return found


def made_at(tuning, time_s):
    from dataclasses import replace

    return replace(made(tuning), time_s=time_s)


def yard_with_somebody(ahead_m):
    return made_scene(standing("Ada", 3.85 + ahead_m, 0.0))


@pytest.mark.slow
def test_a_decision_in_another_language_drives_20_s_and_halts_before_somebody(decider, tuning):
    with external(decider) as decide:
        run = drive(yard_with_somebody(4.5), tuning, seed=1, decide=decide, duration_s=20.0, stop_at_end=False)
    summary = run.summary()
    assert run.duration_s == pytest.approx(20.0)
    assert summary["errors"] == {}
    assert summary["driven_m"] > 0.5
    assert summary["contacts_moving"] == summary["contacts_at_rest"] == []
    assert run.rows[-1].verdict.why == "somebody ahead"


def test_the_same_in_awk(tuning):
    with external(awk_command()) as decide:
        run = drive(yard_with_somebody(4.5), tuning, seed=1, decide=decide, duration_s=3.0)
    assert run.summary()["errors"] == {}
    assert {str(action) for action in run.actions} >= {"wait"}
    assert "continue" in run.actions or "halt" in run.actions


def test_killed_in_the_middle_the_vehicle_halts_and_stays(decider, tuning):
    decide = external(decider)

    def killing(situation, tuning):
        if situation.time_s == pytest.approx(2.5):
            os.kill(decide.process_id, signal.SIGKILL)
        return decide(situation, tuning)

    run = drive(made_scene(standing("Ada", 9.0, 6.0)), tuning, seed=1, decide=killing, duration_s=4.0)
    before, after = run.row_at(2.45), [row for row in run.rows if row.time_s > 2.49]
    assert before.ego.speed_mps > 0.3
    assert {str(row.verdict.action) for row in after} == {"halt"}
    assert {row.error for row in after} == {"decision: ExternalError: the external decision has ended: signal 9"}
    stops_s = 2.5 + tuning.vehicle.latency_s + tuning.vehicle.brake_build_up_s + 0.5 / tuning.vehicle.brake_mps2 + 0.1
    assert run.row_at(stops_s).ego.speed_mps == 0.0
    decide.close()


@pytest.mark.parametrize("duration_s", [1.6, pytest.param(5.0, marks=pytest.mark.slow)])
def test_the_kit_asked_over_the_pipe_drives_exactly_as_the_kit_itself(tuning, duration_s):
    scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    own = drive(scene, tuning, seed=5, duration_s=duration_s)
    with external(KIT, start_timeout_s=60.0, timeout_s=10.0) as decide:
        asked = drive(scene, tuning, seed=5, duration_s=duration_s, decide=decide)
    assert asked.first_difference(own) is None
    assert ("detour" in own.actions) == (duration_s > 4.5)  # then a path of the other side's own was followed


def test_a_crash_is_an_error_with_the_last_words(tuning):
    said = awaited("next(asked); sys.stderr.write('out of ideas\\n'); sys.exit(7)", tuning)
    assert said == "the external decision has ended: exit code 7: out of ideas"


def test_once_ended_it_stays_ended(tuning):
    said = awaited("next(asked); sys.exit(7)", tuning, ask=3)
    assert said == "the external decision has ended: exit code 7"


def test_silence_is_not_waited_for_and_ends_it_after_the_third_time(tuning):
    began = time.monotonic()
    assert awaited("time.sleep(60)", tuning, timeout_s=0.2) == (
        "the external decision did not answer verdict within 0.2 s"
    )
    assert awaited("time.sleep(60)", tuning, ask=5, timeout_s=0.2).endswith("within 0.2 s; it was ended")
    assert time.monotonic() - began < 10.0


def test_a_late_answer_is_never_taken_for_that_of_a_later_question(tuning):
    text = (
        "n = next(asked); time.sleep(0.6); say(n, action='continue', speed_cap_mps=0.5)\n"
        "n = next(asked); say(n, action='halt', speed_cap_mps=0.0)\ntime.sleep(60)"
    )
    with external(program(text), timeout_s=0.3) as decide:
        with pytest.raises(ExternalError, match="did not answer verdict"):
            decide(made_at(tuning, 10.0), tuning)
        time.sleep(0.6)
        assert decide(made_at(tuning, 10.05), tuning).action == Action.HALT


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        ("print('go', flush=True)", "has ended: it said something that is no JSON: b'go'"),
        ("print('{\"id\": 99}', flush=True)", "has ended: it said something that is no answer to 2: "),
        ("say(n)", "answered no verdict: verdict.action is missing"),
        (
            "say(n, action='go', speed_cap_mps=1)",
            "verdict.action must be one of continue, detour, halt, wait",
        ),
        ("say(n, action='continue', speed_cap_mps='nan')", "no verdict: verdict.speed_cap_mps must be finite, got nan"),
        ("say(n, action='continue', speed_cap_mps=True)", "no verdict: verdict.speed_cap_mps must be a number"),
        ("say(n, action='continue', speed_cap_mps=1e9)", "verdict.speed_cap_mps must lie between 0 and 1.2, got"),
        ("say(n, action='continue', speed_cap_mps=-0.1)", "verdict.speed_cap_mps must lie between 0 and 1.2, got -0.1"),
        ("say(n, action='halt', speed_cap_mps=0.5)", "verdict.speed_cap_mps must be 0 with halt, got 0.5"),
        (
            "say(n, action='detour', speed_cap_mps=0.5, path='mine')",
            "path must be one of reference, got 'mine'",
        ),
        ("say(n, action='detour', speed_cap_mps=0.5, new_path={'name': 'x'})", "verdict.new_path.s_m is missing"),
        ("say(n, action='halt', speed_cap_mps=0, memory={'action': 'halt'})", "verdict.memory.pending is missing"),
        ("print(json.dumps({'id': n, 'refused': 'tired'}), flush=True)", "refused verdict: tired"),
        ("print(json.dumps({'id': n, 'output': 1}), flush=True)", "answered no output to verdict"),
        ("sys.stdout.write('x' * 5_000_000); sys.stdout.flush()", "its answer is longer than 4000000 bytes"),
        ("os.close(1); time.sleep(60)", "has ended: it closed its output"),
    ],
)
def test_garbage_is_an_error_that_says_what_came(tuning, answer, said):
    assert said in awaited(f"n = next(asked); {answer}; time.sleep(60)", tuning, timeout_s=3.0)


def test_garbage_in_the_closed_loop_is_a_halt_in_every_cycle(tuning):
    text = "for n in asked: say(n, action='continue', speed_cap_mps='inf')"
    with external(program(text)) as decide:
        run = drive(made_scene(), tuning, seed=1, decide=decide, duration_s=1.5)
    assert {str(action) for action in run.actions} == {"halt"}
    assert run.summary()["driven_m"] == 0.0
    assert "must be finite, got inf" in run.rows[-1].error


def test_a_program_that_is_not_there_is_a_halt_that_names_it(tuning):
    run = drive(made_scene(), tuning, seed=1, decide=external(["./no_such_decider"]), duration_s=0.2)
    why = "the external decision './no_such_decider' cannot be started: No such file or directory"
    assert {row.error for row in run.rows} == {f"decision: ExternalError: {why}"}


def test_a_command_that_is_a_text_or_empty_and_a_time_that_is_none_are_refused():
    for command in ("rm -rf", [], [""], [1]):
        with pytest.raises(InputError, match=r"^command must be a list of words"):
            external(command)
    with pytest.raises(InputError, match=r"^timeout_s must lie between 0 and 600 s, got nan$"):
        external(["x"], timeout_s=float("nan"))


def test_a_new_drive_is_told_to_begin_and_so_is_another_tuning(tuning, tmp_path):
    log = tmp_path / "calls"
    text = (
        "import sys, json\nfor line in sys.stdin:\n    asked = json.loads(line)\n"
        f"    open({str(log)!r}, 'a').write(asked['call'][0] + str(len(asked['input'].get('paths', []))))\n"
        "    ready = {'ready': True, 'action': 'halt', 'speed_cap_mps': 0}\n"
        "    print(json.dumps({'id': asked['id'], 'output': ready}), flush=True)\n"
    )
    with external([sys.executable, "-c", text]) as decide:
        for time_s, used in ((1.0, tuning), (1.05, tuning), (1.0, tuning), (1.05, Tuning().replace({"cycle_s": 0.1}))):
            decide(made_at(tuning, time_s), used)
    assert log.read_text() == "b0v1v0b0v1b0v1"  # a path comes along once after each begin


def test_a_copy_in_another_process_starts_a_program_of_its_own(tuning):
    text = "for n in asked: say(n, action='halt', speed_cap_mps=0.0)"
    with external(program(text)) as decide:
        decide(made(tuning), tuning)
        copy = pickle.loads(pickle.dumps(decide))  # noqa: S301  (our own object, made a line above)
        assert copy.process_id is None
        assert copy(made(tuning), tuning).action == Action.HALT
        assert copy.process_id != decide.process_id
        copy.close()


def test_closing_ends_the_program_and_what_it_started(tuning):
    text = "import subprocess\nchild = subprocess.Popen(['sleep', '60'])\nn = next(asked)\n"
    text += "say(n, action='halt', speed_cap_mps=0.0, why=str(child.pid))\ntime.sleep(60)"
    with external(program(text)) as decide:
        child = int(decide(made(tuning), tuning).why)
        os.kill(child, 0)  # it runs
    for _ in range(50):
        if not running(child):
            break
        time.sleep(0.1)
    assert not running(child)


def running(process_id):
    state = Path(f"/proc/{process_id}/stat")
    return state.exists() and state.read_text().rsplit(")", 1)[1].split()[0] != "Z"


def test_a_situation_goes_over_the_pipe_and_back_without_a_loss(tuning):
    situation = made(tuning, [(9.0, 1.0, 0.1, -0.2)], walls=[(8.0, 3.0, 9.0, 4.0)])
    again = situation_in(from_line(to_line(situation_out(situation))))
    kept = [d for d in differences(situation, again) if ".grid." not in d]
    assert kept == []
    assert (again.grid.known_free() == situation.grid.known_free()).all()
    assert (again.grid.occupied() == situation.grid.occupied()).all()


def test_an_answer_without_memory_keeps_the_action_and_since_when(tuning):
    situation = made(tuning)
    answer = {"action": "continue", "speed_cap_mps": 0.4}
    verdict = verdict_in(answer, situation, 1.2)
    assert (verdict.memory.action, verdict.memory.since_s) == (Action.CONTINUE, situation.memory.since_s)
    assert verdict_in({"action": "halt", "speed_cap_mps": 0}, situation, 1.2).memory.since_s == situation.time_s
