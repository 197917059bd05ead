"""One function over many tasks, here or on an executor of `concurrent.futures`; results in the order of the tasks."""

from contextlib import contextmanager

from avoidkit.checks import InputError


def spread(function, tasks, executor=None):
    """Yield `function(task)` for each task.

    Parameters
    ----------
    function : callable
        Of one task; may be defined in a notebook's cell.
    tasks : iterable
    executor : concurrent.futures.Executor or None
        None: one after the other, in this process.

    Examples
    --------
    >>> list(spread(abs, [-1, 2]))
    [1, 2]
    """
    if executor is None:
        yield from map(function, tasks)
        return
    import cloudpickle

    waiting = [executor.submit(_call, cloudpickle.dumps((function, task))) for task in tasks]
    try:
        for one in waiting:
            yield one.result()
    finally:
        for one in waiting:
            one.cancel()


def _call(packed):
    """In a worker: what `spread` of our own process packed, never the content of a file."""
    import cloudpickle

    function, task = cloudpickle.loads(packed)
    return function(task)


@contextmanager
def processes(workers, tasks):
    """A pool of so many processes, or None where one is enough; it is shut down at the end.

    Parameters
    ----------
    workers : int
        At least 1.
    tasks : int
        No more processes than these are started.
    """
    if workers < 1:
        raise InputError(f"workers must be at least 1, got {workers}")
    if min(workers, tasks) <= 1:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(min(workers, tasks), mp_context=get_context("spawn")) as executor:
        yield executor


def harmless(value):
    """Text as it is, but with a quote before what a spreadsheet would take for a formula.

    Examples
    --------
    >>> harmless("=1+1"), harmless("halt"), harmless(-1.5)
    ("'=1+1", 'halt', -1.5)
    """
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
