"""The machinery of studies: the same rows whoever computes them, functions as they are now, going on after a stop."""

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import textwrap
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest

from avoidkit import InputError, Tuning, load_scene, shipped
from avoidkit.studies.drives import drive_task
from avoidkit.studies.functions import described
from avoidkit.studies.run import Interrupted, Plan, StudyError, execute
from avoidkit.studies.shelf import differences
from avoidkit.studies.workers import processes
from tests.interrupted import interrupted_after

ROOT = Path(__file__).parent.parent


def value_of(task, context):
    """A task that costs nothing: what the user's function makes of its number."""
    return {"value": float(context.functions["rule"](task["seed"])), "odd": bool(task["seed"] % 2)}


def plan_of(rule, n=10, **more):
    return Plan("trial", value_of, tuple({"seed": seed} for seed in range(n)), functions={"rule": rule}, **more)


def rows_of(rule, executor=None, n=10, **more):
    return execute(plan_of(rule, n), executor=executor, progress=False, **more).rows


def pool(method):
    return ProcessPoolExecutor(2, mp_context=multiprocessing.get_context(method))


@pytest.mark.parametrize("method", ["fork", "spawn"])
def test_a_running_pool_answers_with_the_function_that_was_passed(method):
    def rule(seed):
        return seed + 1

    factor = 3
    with pool(method) as running:
        first = rows_of(rule, running, 4)

        def rule(seed):  # redefined, as a notebook cell is run again
            return seed + 2

        second = rows_of(rule, running, 4)
        closure = rows_of(lambda seed: factor * seed, running, 4)
        factor = 5
        closure_after = rows_of(lambda seed: factor * seed, running, 4)
    assert first["value"].tolist() == [1.0, 2.0, 3.0, 4.0]
    assert second["value"].tolist() == [2.0, 3.0, 4.0, 5.0]
    assert closure["value"].tolist() == [0.0, 3.0, 6.0, 9.0]
    assert closure_after["value"].tolist() == [0.0, 5.0, 10.0, 15.0]


def test_a_function_that_keeps_something_starts_afresh_with_every_task():
    calls = []

    def rule(seed):
        calls.append(seed)
        return len(calls)

    assert rows_of(rule)["value"].tolist() == [1.0] * 10
    assert calls == []


def test_rows_come_in_the_order_of_the_tasks_whoever_is_first():
    def slow_first(seed):
        time.sleep(0.1 if seed == 0 else 0.0)
        return seed

    with ThreadPoolExecutor(3) as threads:
        pd.testing.assert_frame_equal(rows_of(slow_first, threads), rows_of(slow_first))


def _dies_once(flag):
    def rule(seed):
        if seed == 5 and not flag.exists():
            flag.touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return seed

    return rule


def test_a_pool_that_is_made_by_a_function_survives_the_loss_of_a_worker(tmp_path):
    made = execute(plan_of(_dies_once(tmp_path / "dead")), executor=lambda: pool("fork"), progress=False)
    pd.testing.assert_frame_equal(made.rows, rows_of(lambda seed: seed))
    assert 2 <= made.times["tries"].max() <= 3
    assert made.times["worker"].nunique() > 1


def test_a_task_that_kills_three_workers_ends_the_study():
    def fatal(seed):
        os.kill(os.getpid(), signal.SIGKILL)

    with pytest.raises(StudyError, match=r"^task 0 was tried 3 times and lost its worker each time"):
        rows_of(fatal, lambda: pool("fork"), 1)


def test_a_bare_pool_that_breaks_keeps_finished_rows_and_says_how_to_go_on(tmp_path):
    rule = _dies_once(tmp_path / "dead")
    with pool("fork") as running, pytest.raises(StudyError, match="make a new pool and call again"):
        rows_of(rule, running, folder=tmp_path / "study")
    with pool("fork") as anew:
        rows = rows_of(rule, anew, folder=tmp_path / "study")
    pd.testing.assert_frame_equal(rows, rows_of(lambda seed: seed))


def test_something_else_than_an_executor_is_refused():
    with pytest.raises(InputError, match=r"^executor must be None, an Executor or a function that makes one, got 2$"):
        rows_of(lambda seed: seed, 2)


def test_a_study_stops_after_five_errors_and_names_the_seeds():
    def picky(seed):
        if seed > 2:
            raise ValueError(f"no {seed}")
        return 0

    with pytest.raises(StudyError) as stopped:
        rows_of(picky)
    assert str(stopped.value).startswith("trial: stopped after 5 with errors: seed 3: ValueError: no 3; seed 4:")
    assert str(stopped.value).endswith("seed 7: ValueError: no 7")
    rows = rows_of(picky, n=5)
    assert rows["error"].tolist()[3:] == ["ValueError: no 3", "ValueError: no 4"]


def test_a_finished_folder_is_read_and_not_computed_again(tmp_path):
    def rule(seed):
        return time.monotonic_ns()

    first = execute(plan_of(rule), folder=tmp_path / "study", progress=False)
    again = execute(plan_of(rule), folder=tmp_path / "study", progress=False)
    pd.testing.assert_frame_equal(first.rows, again.rows)
    pd.testing.assert_frame_equal(first.times, again.times)


def test_another_function_captured_value_seed_or_tuning_is_refused_and_named(tmp_path):
    limit = 3

    def rule(seed):
        return seed < limit

    def refused(rule, n=6, **more):
        with pytest.raises(InputError, match="holds another study") as wrong:
            execute(plan_of(rule, n, **more), folder=tmp_path / "study", progress=False)
        return str(wrong.value)

    tuning = Tuning()
    execute(plan_of(rule, 6, tunings={"a": tuning}), folder=tmp_path / "study", progress=False)
    limit = 4
    assert "function.rule.captured.limit was 3, is 4." in refused(rule, tunings={"a": tuning})
    limit = 3
    assert "function.rule.source has changed" in refused(lambda seed: seed, tunings={"a": tuning})
    assert "seeds was 0 to 5, is 0 to 6" in refused(rule, 7, tunings={"a": tuning})
    other = tuning.replace({"decision.clearance_m": 0.45})
    said = refused(rule, tunings={"a": other})
    assert f"tuning.a.decision.clearance_m was {tuning.decision.clearance_m}, is 0.45." in said


def test_a_folder_with_other_files_is_left_alone(tmp_path):
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="holds other files and no study, choose another folder"):
        rows_of(lambda seed: seed, folder=tmp_path)


def test_differences_name_the_place_and_leave_out_long_texts():
    before, now = {"a": {"b": 1, "c": "x" * 99, "d": 0}}, {"a": {"b": 2, "c": "y" * 99}}
    assert differences(before, now) == ["a.b was 1, is 2", "a.c has changed", "a.d is gone"]


def test_a_description_follows_helpers_of_the_users_own():
    one = described(_uses_helper)
    assert set(one["captured"]) >= {"_helper", "_helper.LIMIT"}
    assert described(Tuning.replace)["source"] == "the kit's own"


LIMIT = 7


def _helper(value):
    return value < LIMIT


def _uses_helper(value):
    return _helper(value)


INTERRUPTED = """
    import sys, time, json
    sys.path.insert(0, {root!r})
    from tests.test_studies_run import plan_of
    from avoidkit.studies.run import execute, Interrupted
    from avoidkit.studies.workers import processes

    def rule(seed):
        time.sleep({pause})
        return seed * 1.5

    if __name__ == "__main__":
        try:
            tell = lambda done, total: print(done, flush=True)
            rows = execute(plan_of(rule, 12), executor={executor}, folder={folder!r}, progress=tell).rows
            print(rows["value"].tolist())
        except Interrupted as stopped:
            print(stopped, flush=True)
            raise SystemExit(130)
"""


@pytest.mark.parametrize("executor", ["None", pytest.param("processes(2)", marks=pytest.mark.slow)])
def test_a_study_interrupted_at_a_third_goes_on_to_the_same_table(tmp_path, executor):
    values = {
        "root": str(ROOT),
        "folder": str(tmp_path / "study"),
        "executor": executor,
        "pause": 0.15 if executor == "None" else 0.8,
    }
    script = tmp_path / "study.py"
    text = textwrap.dedent(INTERRUPTED).format(**values)
    code, rest = interrupted_after(script, text, "4", ROOT, longest_s=60)
    assert code == 130, rest
    assert "of 12 rows are kept in" in rest
    kept = sum(len(pd.read_parquet(part)) for part in (tmp_path / "study").glob("part-*.parquet"))
    assert 4 <= kept < 12
    again = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, cwd=ROOT, check=True)
    done, values = again.stdout.strip().splitlines()[:-1], again.stdout.strip().splitlines()[-1]
    assert json.loads(values) == [seed * 1.5 for seed in range(12)]
    assert len(done) == 12 - kept


def test_an_interrupt_without_a_folder_says_that_nothing_is_kept():
    def rule(seed):
        raise KeyboardInterrupt

    with pytest.raises(Interrupted, match=r"^trial: 0 of 10 rows are lost: give a folder$"):
        rows_of(rule)


def drives(n, rule=None):
    """Short drives of two scenes, through the whole loop."""
    scenes = {name: load_scene(shipped("scenes") / f"{name}.toml") for name in ("guest_crosses", "guest_steps_out")}
    tasks = tuple({"scene": name, "tuning": "t", "seed": seed} for seed in range(n // 2) for name in scenes)
    settings = {"duration_s": 0.6, "loop": "sensed"}
    functions = {} if rule is None else {"decide": rule}
    return Plan("drives", drive_task, tasks, scenes, {"t": Tuning()}, functions, settings)


def test_two_processes_and_one_give_the_same_rows_of_drives():
    pd.testing.assert_frame_equal(
        execute(drives(4), executor=processes(2, method="fork"), progress=False).rows,
        execute(drives(4), progress=False).rows,
    )


def _two_workers(distributed):
    return distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)


@pytest.mark.slow
def test_sixty_drives_are_the_same_on_one_process_a_pool_and_a_dask_cluster():
    distributed = pytest.importorskip("distributed")
    alone = execute(drives(60), progress=False).rows
    assert len(alone) == 60
    assert (alone["errors"] == 0).all()
    spawned = execute(drives(60), executor=processes(2), progress=False).rows
    pd.testing.assert_frame_equal(spawned, alone)
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        there = execute(drives(60), executor=client.get_executor(), progress=False).rows
    pd.testing.assert_frame_equal(there, alone)


def test_a_dask_worker_that_is_killed_in_the_middle_changes_nothing(tmp_path):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        rows = rows_of(_dies_once(tmp_path / "dead"), client.get_executor())
    pd.testing.assert_frame_equal(rows, rows_of(lambda seed: seed))
    assert (tmp_path / "dead").exists()
