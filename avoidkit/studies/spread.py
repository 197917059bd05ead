"""One function over many tasks, here or on an executor of `concurrent.futures`; results, of any kind, in order.

For studies whose tasks give a row of plain numbers there is `run.execute`, which keeps finished rows and goes on
from them; here whole tables come back.
"""

from concurrent.futures import BrokenExecutor, Executor

from avoidkit.checks import InputError
from avoidkit.studies.functions import packed, unpacked


def spread(function, tasks, executor=None):
    """Yield `function(task)` for each task.

    Parameters
    ----------
    function : callable
        Of one task; may be defined in a notebook's cell.
    tasks : iterable
    executor : None, Executor, or callable that makes an Executor
        None: one after the other, in this process. What a callable makes, such as that of
        `workers.processes(2)`, is shut down at the end; a pool that is handed in stays open.

    Raises
    ------
    InputError
        If a worker was lost.

    Examples
    --------
    >>> list(spread(abs, [-1, 2]))
    [1, 2]
    """
    if executor is None:
        yield from map(function, tasks)
        return
    is_pool = isinstance(executor, Executor)
    if not is_pool and not callable(executor):
        raise InputError(f"executor must be None, an Executor or a function that makes one, got {executor!r}")
    pool = executor if is_pool else executor()
    waiting = [pool.submit(_call, packed({"work": function}), task) for task in tasks]
    try:
        for one in waiting:
            yield one.result()
    except BrokenExecutor as error:
        raise InputError(f"a worker was lost ({error}): make a new pool and call again") from None
    finally:
        for one in waiting:
            one.cancel()
        if not is_pool:
            pool.shutdown(cancel_futures=True)


def _call(function, task):
    """In a worker: what `spread` of our own process packed, never the content of a file."""
    return unpacked(function)["work"](task)


def pool_of(workers, tasks):
    """What `executor=` wants for so many workers: None where one is enough.

    Examples
    --------
    >>> pool_of(1, 20) is None
    True
    >>> pool_of(0, 20)
    Traceback (most recent call last):
    ...
    avoidkit.checks.InputError: workers must be at least 1, got 0
    """
    from avoidkit.studies.workers import processes

    if workers < 1:
        raise InputError(f"workers must be at least 1, got {workers}")
    return None if min(workers, tasks) <= 1 else processes(min(workers, tasks))


def harmless(value):
    """Text as it is, but with a quote before what a spreadsheet would take for a formula.

    Examples
    --------
    >>> harmless("=1+1"), harmless("halt"), harmless(-1.5)
    ("'=1+1", 'halt', -1.5)
    """
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
