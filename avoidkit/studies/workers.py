"""What happens in a worker: one parcel in, one row out; and pools of processes that are made ready for it."""

import json
import multiprocessing
import os
import platform
import signal
import threading
import time
from dataclasses import dataclass
from functools import lru_cache

from avoidkit.studies.functions import unpacked

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


@dataclass(frozen=True, slots=True)
class Parcel:
    """All that one task needs, as text and bytes: nothing depends on what a worker did before.

    Attributes
    ----------
    task : dict
        Plain values.
    functions : bytes
        By `functions.packed`: `work`, and the user's own by role.
    scene, tuning : str or None
        JSON of the scene (with no other file needed) and of the tuning.
    settings : dict
        Plain values that all tasks share.
    """

    task: dict
    functions: bytes
    scene: str | None
    tuning: str | None
    settings: dict


@dataclass(frozen=True, eq=False, slots=True)
class Context:
    """What a task is carried out with: scene, tuning, the user's functions by role, settings."""

    scene: object
    tuning: object
    functions: dict
    settings: dict


def carry(parcel):
    """Carry out one parcel; what the work raises becomes a row with `errors` and `error`.

    Returns
    -------
    (dict, dict)
        The row, and `run_s`, `cpu_s` (processor time) and `worker`.
    """
    started, busy = time.perf_counter(), time.thread_time()
    _one_thread()
    try:
        functions = unpacked(parcel.functions)
        work = functions.pop("work")
        context = Context(_scene(parcel.scene), _tuning(parcel.tuning), functions, parcel.settings)
        row = work(parcel.task, context)
    except Exception as error:  # noqa: BLE001  (a user's function may raise anything; the study counts and names it)
        row = {"errors": 1, "error": f"{type(error).__name__}: {error}"}
    took = {"run_s": time.perf_counter() - started, "cpu_s": time.thread_time() - busy}
    return row, took | {"worker": f"{platform.node()}:{os.getpid()}"}


@lru_cache(maxsize=64)
def _scene(text):
    from avoidkit.scene import scene_from

    return None if text is None else scene_from(json.loads(text), "scene")


@lru_cache(maxsize=64)
def _tuning(text):
    from avoidkit.tuning import Tuning, validated

    return None if text is None else validated(Tuning, json.loads(text), "tuning")


def _one_thread():
    """Keep a worker to one thread, and Ctrl-C to the process that asked: workers end when it says so."""
    if multiprocessing.parent_process() is None:
        return
    for name in THREADS:
        os.environ.setdefault(name, "1")
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def processes(workers=None, *, method="spawn", warmed=True):
    """A function that makes a pool of single-threaded processes, for `executor=`.

    Parameters
    ----------
    workers : int or None
        None: one a processor.
    method : str
        `spawn` starts afresh (a script has to call from below `if __name__ == "__main__":` then); `fork` (Linux)
        starts at once, but copies what this process holds.

    Examples
    --------
    >>> make = processes(2)
    >>> with make() as pool:
    ...     pool.submit(abs, -3).result()
    3
    """

    def make():
        from concurrent.futures import ProcessPoolExecutor

        before = {name: os.environ.get(name) for name in THREADS}
        os.environ.update({name: "1" for name in THREADS if before[name] is None})
        if warmed:
            warm()
        return ProcessPoolExecutor(
            workers or os.cpu_count(), mp_context=multiprocessing.get_context(method), initializer=_begin,
            initargs=(os.getpid(),),
        )  # fmt: skip

    return make


def _begin(parent):
    _one_thread()
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent):
    """Ends this worker once the process that made it has gone: a killed study leaves nobody computing on."""
    while os.getppid() == parent:
        time.sleep(1.0)
    os._exit(1)


@lru_cache(maxsize=1)
def warm():
    """Compile the loops once in this process, so that workers find them on disk or, forked, in memory."""
    from avoidkit.drive import drive
    from avoidkit.places import shipped
    from avoidkit.scene import load_scene
    from avoidkit.tuning import Tuning

    drive(load_scene(shipped("scenes") / "guest_crosses.toml"), Tuning(), seed=0, duration_s=0.5)
