"""Carries out a study: tasks to rows, in order, on one process or many, resumable, the same whoever computes it.

On a cluster, two commands on one machine are the rehearsal (extra `cluster`):

    dask scheduler --port 8786
    dask worker tcp://localhost:8786 --nworkers 2 --nthreads 1

and then `sweep(..., executor=Client("tcp://localhost:8786").get_executor())` with `Client` from `dask.distributed`.
Scheduler and workers need the kit, with the same versions of it and its libraries; one thread a worker.
"""

import hashlib
import json
from collections import deque
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, wait
from dataclasses import dataclass, field
from pathlib import Path

from avoidkit import __version__
from avoidkit.checks import InputError
from avoidkit.interrupts import hearing
from avoidkit.studies import progress as showing
from avoidkit.studies.functions import described, packed
from avoidkit.studies.pools import Pool
from avoidkit.studies.shelf import PART_S, Shelf
from avoidkit.studies.workers import Parcel, carry

MOST_TRIES = 3  # the first, and two more
MOST_ERRORS = 5


class StudyError(InputError):
    """A study stopped: too many drives with errors, or workers that were lost; finished rows are kept."""


class Interrupted(KeyboardInterrupt):
    """Ctrl-C; the text says what is kept and how to go on.

    Attributes
    ----------
    kept : int
        Rows that are there.
    """

    def __init__(self, said, kept=0):
        super().__init__(said)
        self.kept = kept


@dataclass(frozen=True, eq=False)
class Plan:
    """What is to be done.

    Attributes
    ----------
    kind : str
        Such as `sweep`.
    work : function (task, context) -> dict
        Of a module, so that workers can import it; the row's values are plain.
    tasks : sequence of dict
        Plain values; `scene` and `tuning` are keys of the dicts below, `seed` is an integer.
    scenes, tunings : dict
        By name.
    functions : dict
        The user's own, by role.
    settings : dict
        Plain values that all tasks share.
    code : str or None
        Says which code the rows speak of; None: all of the kit that a drive may depend on, by its files.
    """

    kind: str
    work: object
    tasks: tuple
    scenes: dict = field(default_factory=dict)
    tunings: dict = field(default_factory=dict)
    functions: dict = field(default_factory=dict)
    settings: dict = field(default_factory=dict)
    code: str | None = None

    def manifest(self):
        """Plain data that says all that shapes the rows."""
        tasks = json.dumps([dict(task) for task in self.tasks], sort_keys=True)
        return {
            "kind": self.kind,
            "kit": __version__,
            "code": self.code or code_hash(),
            "seeds": _in_words(sorted({task["seed"] for task in self.tasks if "seed" in task})),
            "plan": {
                "tasks": len(self.tasks), "hash": hashlib.sha256(tasks.encode()).hexdigest()[:12], **self.settings
            },
            "tuning": {name: json.loads(tuning_text(tuning)) for name, tuning in self.tunings.items()},
            "scene": {name: json.loads(scene_text(scene)) for name, scene in self.scenes.items()},
            "function": {role: described(function) for role, function in self.functions.items()},
        }  # fmt: skip


@dataclass(frozen=True, eq=False)
class Results:
    """Tables of a study, a line a task, in the order of the tasks.

    Attributes
    ----------
    rows : DataFrame
        The task's values, then the row's. The same whatever the executor.
    times : DataFrame
        `run_s`, `cpu_s`, `worker`, `tries` of each task: wall clock and processor time, s.
    """

    rows: object
    times: object


def execute(plan, *, executor=None, folder=None, max_errors=MOST_ERRORS, again=False, progress=True):
    """Carry out a plan.

    Parameters
    ----------
    plan : Plan
    executor : None, Executor, callable that makes an Executor, or Pool
        None computes in this process. An executor stays open. One that a callable makes is closed at the end and
        remade when it breaks (a worker was killed, say); each unfinished task is tried up to three times.
    folder : path or None
        Finished rows are kept there; the same call goes on from them.
    max_errors : int
        After so many rows with errors the study stops.
    again : bool
        Kept rows with errors are made anew.
    progress : bool or callable (done, total)

    Returns
    -------
    Results

    Raises
    ------
    StudyError
        Too many errors, or a pool that broke and could not be remade.
    Interrupted
        On Ctrl-C, with what is kept; a row that was under way then is not.
    InputError
        If the folder holds another study.
    """
    shelf = Shelf(folder, plan.manifest() if folder is not None else {})
    if again:
        shelf.drop([number for number, (row, _) in shelf.rows.items() if row.get("errors")])
    todo = [k for k in range(len(plan.tasks)) if k not in shelf.rows]
    shown = showing.bar(len(plan.tasks), plan.kind, progress)
    counted = _Errors(plan, max_errors, folder)
    for row, _ in shelf.rows.values():
        counted.look(row)
    parcels = _Parcels(plan)

    def take(number, outcome, tries):
        row, about = outcome
        shelf.add(number, json.loads(json.dumps(row)), about | {"tries": tries})
        shown.step(len(shelf.rows))
        counted.add(number, row)

    with hearing() as heard:
        try:
            if executor is None:
                _one_by_one(todo, parcels, take, heard)
            else:
                _Crew(executor, parcels, folder, shelf.tick, heard).carry_out(todo, take)
        except KeyboardInterrupt:
            heard.closing = True
            raise Interrupted(_kept_in_words(plan, shelf, folder), len(shelf.rows)) from None
        finally:
            shelf.flush()
            shown.end()
    return _tables(plan, shelf.rows)


def _one_by_one(todo, parcels, take, heard):
    for number in todo:
        outcome = carry(parcels[number])
        heard.check()
        take(number, outcome, 1)


def _kept_in_words(plan, shelf, folder):
    kept = f"kept in {folder}: the same call goes on from there" if folder is not None else "lost: give a folder"
    return f"{plan.kind}: {len(shelf.rows)} of {len(plan.tasks)} rows are {kept}"


class _Parcels:
    """The parcel of each task, made when it is asked for."""

    def __init__(self, plan):
        self._plan = plan
        self._functions = packed({"work": plan.work, **plan.functions})
        self._scenes = {name: scene_text(scene) for name, scene in plan.scenes.items()}
        self._tunings = {name: tuning_text(tuning) for name, tuning in plan.tunings.items()}

    def __getitem__(self, number):
        task = self._plan.tasks[number]
        scene, tuning = self._scenes.get(task.get("scene")), self._tunings.get(task.get("tuning"))
        return Parcel(dict(task), self._functions, scene, tuning, self._plan.settings)


class _Errors:
    """Counts rows with errors, and stops the study when there are too many."""

    def __init__(self, plan, most, folder):
        self._plan, self._most, self._folder, self._count, self._said = plan, most, folder, 0, []

    def look(self, row):
        self._count += bool(row.get("errors"))

    def add(self, number, row):
        if not row.get("errors"):
            return
        self._count += 1
        task = self._plan.tasks[number]
        where = f"scene {task['scene']}, " if "scene" in task else ""
        which = f"seed {task['seed']}" if "seed" in task else f"task {number}"
        self._said.append(f"{where}{which}: {row.get('error', '')}")
        if self._count >= self._most:
            raise StudyError(f"{self._plan.kind}: stopped after {self._count} with errors: " + "; ".join(self._said))


class _Crew:
    """Keeps an executor busy, with few tasks under way at a time, and survives the loss of workers."""

    def __init__(self, executor, parcels, folder, tick, heard):
        self._pool = executor if isinstance(executor, Pool) else Pool(executor)
        self._parcels, self._folder, self._tick, self._heard = parcels, folder, tick, heard

    def carry_out(self, todo, take):
        waiting, self._flying, tries = deque(todo), {}, dict.fromkeys(todo, 0)
        done = False
        try:
            while waiting or self._flying:
                self._heard.check()
                lost = self._send(waiting, tries) or self._gather(take, tries)
                if lost is not None:
                    self._again(lost, waiting, tries)
            done = True
        finally:
            self._pool.leave(self._flying, done=done)

    def _send(self, waiting, tries):
        while waiting and len(self._flying) < self._window():
            number = waiting.popleft()
            tries[number] += 1
            try:
                self._flying[self._pool.submit(carry, self._parcels[number])] = number
            except (BrokenExecutor, RuntimeError) as error:
                return [(number, error)]
        return None

    def _window(self):
        return 4 * getattr(self._pool.now, "_max_workers", 16)

    def _gather(self, take, tries):
        """Take what is there; the tasks that were lost with their worker, or None."""
        finished, _ = wait(self._flying, timeout=PART_S, return_when=FIRST_COMPLETED)
        self._tick()
        lost = []
        for future in finished:
            number = self._flying.pop(future)
            error = future.exception() if not future.cancelled() else BrokenExecutor("cancelled")
            if error is None:
                take(number, future.result(), tries[number])
            elif isinstance(error, KeyboardInterrupt):
                raise error
            else:
                lost.append((number, error))
        return lost or None

    def _again(self, lost, waiting, tries):
        _, error = lost[0]
        said = f"{type(error).__name__}: {error}"
        if not self._pool.may_remake:
            kept = f"finished rows are in {self._folder}" if self._folder else "nothing is kept without folder="
            raise StudyError(
                f"workers were lost ({said}); {kept}. To go on, make a new pool and call again; with a function "
                "that makes pools, such as avoidkit.studies.workers.processes(2), the study would have done so itself"
            ) from error
        if any(isinstance(e, BrokenExecutor | RuntimeError) for _, e in lost):
            lost += [(number, error) for number in self._flying.values()]  # they are gone with the pool
            self._flying.clear()
            self._pool.remake()
        spent = [number for number, _ in lost if tries[number] >= MOST_TRIES]
        if spent:
            raise StudyError(f"task {spent[0]} was tried {MOST_TRIES} times and lost its worker each time ({said})")
        waiting.extendleft(sorted((number for number, _ in lost), reverse=True))


def _tables(plan, rows):
    import pandas as pd

    lines = [{**_columns(task), **rows[k][0]} for k, task in enumerate(plan.tasks)]
    times = pd.DataFrame([rows[k][1] for k in range(len(plan.tasks))], columns=["run_s", "cpu_s", "worker", "tries"])
    return Results(pd.DataFrame(lines), times)


def _columns(task):
    """A task as columns: what it changes stands under the dotted names."""
    return {k: v for k, v in task.items() if k != "changes"} | task.get("changes", {})


def save_tables(results, folder, name):
    """Write NAME.parquet, NAME.csv and NAME-times.csv into a folder; their paths."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / f"{name}.parquet", folder / f"{name}.csv", folder / f"{name}-times.csv"]
    results.rows.to_parquet(files[0], index=False)
    results.rows.to_csv(files[1], index=False)
    results.times.to_csv(files[2], index=False)
    return files


def scene_text(scene):
    """The JSON of a scene, with recorded walks written out, so that a worker needs no other file."""
    whole = scene.self_contained() if any(person.walks_file is not None for person in scene.people) else scene
    return whole.model_dump_json(exclude_none=True)


def tuning_text(tuning):
    """The JSON of a tuning."""
    return tuning.model_dump_json()


NOT_OF_DRIVES = ("views", "commands", "cli", "logs", "handover", "places", "__init__")
OF_STUDIES = ("designs", "drives", "exact", "metrics", "places", "settled", "stress", "verdict_map", "walker")


def code_hash():
    """12 hex digits over those of the kit's source files that a row of a study depends on."""
    package = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for file in sorted(package.rglob("*.py")):
        module = file.relative_to(package)
        counts = module.parts[0].removesuffix(".py") not in NOT_OF_DRIVES
        if counts and (module.parts[0] != "studies" or module.stem in OF_STUDIES):
            digest.update(f"{module}\n".encode() + file.read_bytes())
    return digest.hexdigest()[:12]


def _in_words(seeds):
    if len(seeds) > 3 and seeds == list(range(seeds[0], seeds[-1] + 1)):
        return f"{seeds[0]} to {seeds[-1]}"
    return " ".join(map(str, seeds))
