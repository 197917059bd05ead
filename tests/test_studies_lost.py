"""Studies of whole drives that lose a worker or are interrupted come to the table of an undisturbed one."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from avoidkit import Tuning, decide, load_scene, shipped
from avoidkit.studies.drives import drive_task
from avoidkit.studies.run import Plan, execute
from avoidkit.studies.workers import processes
from tests.interrupted import interrupted_after

ROOT = Path(__file__).parent.parent


def drives_plan(n=12, decide=decide, duration_s=1.0):
    """Drives of two scenes through sensors, tracker, grid and decision."""
    scenes = {name: load_scene(shipped("scenes") / f"{name}.toml") for name in ("guest_crosses", "guest_steps_out")}
    tasks = tuple({"scene": name, "tuning": "t", "seed": seed} for seed in range(n // 2) for name in scenes)
    settings = {"duration_s": duration_s, "loop": "sensed"}
    return Plan("drives", drive_task, tasks, scenes, {"t": Tuning()}, {"decide": decide}, settings)


def deadly(flag):
    """The kit's decision; who finds the file `flag` in the middle of a drive removes it and is killed."""

    def decides(situation, tuning):
        if situation.time_s > 0.5 and flag.exists():
            flag.unlink()
            os.kill(os.getpid(), signal.SIGKILL)
        return decide(situation, tuning)

    return decides


@pytest.fixture(scope="module")
def undisturbed():
    rows = execute(drives_plan(), progress=False).rows
    assert (rows["errors"] == 0).all()
    return rows


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_of_a_drive_changes_no_row_of_a_pool_that_is_remade(tmp_path, undisturbed):
    flag = tmp_path / "deadly"
    flag.touch()
    made = execute(drives_plan(decide=deadly(flag)), executor=processes(2, method="fork"), progress=False)
    assert not flag.exists()
    pd.testing.assert_frame_equal(made.rows, undisturbed)
    assert made.times["tries"].max() >= 2


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_of_a_drive_changes_no_row_with_dask(tmp_path, undisturbed):
    distributed = pytest.importorskip("distributed")
    flag = tmp_path / "deadly"
    flag.touch()
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        rows = execute(drives_plan(decide=deadly(flag)), executor=client.get_executor(), progress=False).rows
    assert not flag.exists()
    pd.testing.assert_frame_equal(rows, undisturbed)


INTERRUPTED = """
    import sys
    sys.path.insert(0, {root!r})
    from tests.test_studies_lost import drives_plan
    from avoidkit.studies.run import Interrupted, execute
    from avoidkit.studies.workers import processes

    if __name__ == "__main__":
        tell = lambda done, total: print(done, flush=True)
        try:
            rows = execute(drives_plan(), executor={executor}, folder={folder!r}, progress=tell).rows
        except Interrupted as stopped:
            print(stopped, flush=True)
            raise SystemExit(130)
        rows.to_parquet({table!r})
"""


@pytest.mark.slow
@pytest.mark.parametrize("executor", ["None", "processes(2, method='fork')"])
def test_drives_interrupted_at_a_third_go_on_to_the_table_of_an_uninterrupted_run(tmp_path, undisturbed, executor):
    folder, table = tmp_path / "study", tmp_path / "rows.parquet"
    script = tmp_path / "study.py"
    text = INTERRUPTED.format(root=str(ROOT), executor=executor, folder=str(folder), table=str(table))
    code, said = interrupted_after(script, text, "4", ROOT, longest_s=120)
    assert code == 130, said
    kept = sum(len(pd.read_parquet(part)) for part in folder.glob("part-*.parquet"))
    assert 4 <= kept < 12
    again = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, cwd=ROOT, check=True)
    assert len(again.stdout.split()) == 12 - kept
    pd.testing.assert_frame_equal(pd.read_parquet(table), undisturbed)
