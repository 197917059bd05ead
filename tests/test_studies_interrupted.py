"""Ctrl-C at a terminal, at a third of a study: it says what it keeps, and the same command ends with the same table."""

import re
import signal

import pandas as pd
import pytest

from avoidkit import interrupts
from avoidkit.cli import main
from avoidkit.studies.run import Interrupted, Plan, execute
from tests.interrupted import at_a_terminal

STUDIES = {
    "map": (["lane_6m", "--x=0:14:15", "--y=-2:2:24"], "map"),
    "sweep": (
        ["guest_crosses", "--over", "decision.clearance_m=0.2,0.4", "--seeds", "0-5", "--duration", "1"],
        "sweep",
    ),
    "compare": (["baseline", "slow_brakes", "guest_crosses", "--seeds", "0-8", "--duration", "1"], "pairs"),
    "stress": (["lane_6m", "--budget", "40", "--no-random"], "trials"),
}


def at_a_third(said):
    """Whether a progress line says that a third is done."""
    shown = re.findall(r"(\d+) of (\d+)", said)
    return bool(shown) and 3 * int(shown[-1][0]) >= int(shown[-1][1])


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The table of a study that nobody interrupts, by command; each is run once."""
    tables = {}

    def table(command):
        if command not in tables:
            arguments, name = STUDIES[command]
            out = tmp_path_factory.mktemp(command)
            assert main([command, *arguments, "--out", str(out), "--quiet"]) == 0
            tables[command] = pd.read_parquet(out / f"{name}.parquet")
        return tables[command]

    return table


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize("command", list(STUDIES))
def test_a_command_stopped_at_a_third_goes_on_to_the_table_of_one_that_was_not(command, workers, whole, tmp_path):
    arguments, name = STUDIES[command]
    line = [command, *arguments, "--workers", workers, "--out", tmp_path / "out"]
    code, said = at_a_terminal(line, tmp_path, stop=at_a_third)
    assert code == 130, said
    assert "Traceback" not in said
    last = said.rpartition("\r\navoidkit ")[2].strip()
    assert re.match(rf"{command}: \d+ (of \d+ rows|walks) are kept in \S+: the same call goes on from there$", last)
    assert len(said.splitlines()) <= 24  # one screen; the progress line is written over
    kept = int(re.search(r"\d+", last)[0])
    parts = [len(pd.read_parquet(part)) for part in (tmp_path / "out").rglob("part-*.parquet")]
    assert sum(parts) == kept > 0
    assert not (tmp_path / "out" / f"{name}.parquet").exists()
    code, said = at_a_terminal(line, tmp_path)
    assert code == 0, said
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "out" / f"{name}.parquet"), whole(command))


def swallows(task, context):
    """A user's stage that turns a Ctrl-C into something else, as compiled code does."""
    if task["seed"] == 2:
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            return {"value": -1.0}
    return {"value": float(task["seed"])}


@pytest.fixture
def python_hears(monkeypatch):
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def test_a_ctrl_c_that_a_drive_swallows_still_stops_the_study_and_spoils_no_row(tmp_path, python_hears):
    plan = Plan("trial", swallows, tuple({"seed": seed} for seed in range(6)))
    with pytest.raises(Interrupted, match="trial: 2 of 6 rows are kept") as stopped:
        execute(plan, folder=tmp_path / "study", progress=False)
    assert stopped.value.kept == 2
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_within_a_study_that_listens_an_inner_one_shares_what_was_heard(python_hears):
    with interrupts.hearing() as outer, interrupts.hearing() as inner:
        assert inner is outer
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        assert outer.came
        inner.closing = True
        signal.raise_signal(signal.SIGINT)  # passed over while a study puts away what it has
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)


def test_what_is_started_while_ctrl_c_is_held_back_does_not_hear_it(python_hears):
    heard_at_the_end = False
    try:
        with interrupts.held_back():
            signal.raise_signal(signal.SIGINT)
            assert signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())
    except KeyboardInterrupt:
        heard_at_the_end = True
    assert heard_at_the_end
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())
