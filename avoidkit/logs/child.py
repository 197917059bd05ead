"""Reads a foreign file in a process of its own, with limits of time and memory: whatever happens there is `InputError`.

The parser of somebody else's format meets bytes that nobody has checked. In a child it may loop, swell or crash, and
all that comes back are arrays of numbers (a NumPy archive, loaded without executing anything) and one line of text.
"""

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from avoidkit.checks import InputError
from avoidkit.logs.samples import Samples, Series

GREATEST_FILE_BYTES = 2 * 1024**3
RESULT, INDEX, SAID = "samples.npz", "index.json", "said.json"
MESSAGE_CHARS = 500


@dataclass(frozen=True, slots=True)
class Limits:
    """What a reader may use, beyond what it takes to start: more for larger files.

    `cpu_s` is computing time, `memory_mb` address space for the content; `wait_s` is by the clock, for all of it.
    """

    cpu_s: int
    memory_mb: int
    wait_s: float


def limits_for(size_bytes):
    """Limits for a file of a size: 1 s and 200 MB, and 2 s and 30 MB more for each of its MB.

    Examples
    --------
    >>> limits_for(3_000_000)
    Limits(cpu_s=7, memory_mb=290, wait_s=90.0)
    """
    mb = size_bytes / 1e6
    return Limits(1 + round(2 * mb), round(min(200 + 30 * mb, 8000)), 60.0 + 10 * mb)


def read_samples(path, request, limits=None):
    """The samples of a file.

    Parameters
    ----------
    path : path
    request : dict
        `format`, `wanted` and what the reader of that format takes besides; see `_readers`.
    limits : Limits or None
        None: by the size of the file.

    Returns
    -------
    Samples

    Raises
    ------
    InputError
        For whatever goes wrong.
    """
    path = Path(path)
    limits = limits or limits_for(_checked_size(path))
    with tempfile.TemporaryDirectory(prefix="avoidkit-") as folder:
        order = request | {"path": str(path.resolve()), "limits": [limits.cpu_s, limits.memory_mb]}
        code, said = _run(order, folder, limits)
        if code == 0 and (Path(folder) / INDEX).is_file():
            return _collected(Path(folder), path)
        raise InputError(_complaint(path, code, said, limits))


def _checked_size(path):
    try:
        with open(path, "rb") as file:
            size = os.fstat(file.fileno()).st_size
    except FileNotFoundError:
        raise InputError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder, a log was wanted") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    if not path.is_file():
        raise InputError(f"{path}: is not a plain file")
    if size == 0:
        raise InputError(f"{path}: is empty")
    if size > GREATEST_FILE_BYTES:
        most = f"at most {GREATEST_FILE_BYTES / 1e6:.0f} MB are read"
        raise InputError(f"{path}: is too large: {size / 1e6:.0f} MB; {most}")
    return size


def _run(order, folder, limits):
    """Exit code of the child and what it said, None where it said nothing."""
    paths = [str(Path(__file__).resolve().parent.parent.parent), os.environ.get("PYTHONPATH", "")]
    one = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_MAX_THREADS"), "1")
    more = {"PYTHONPATH": os.pathsep.join(filter(None, paths)), "TMPDIR": folder, "PYTHONWARNINGS": "ignore"}
    command = [sys.executable, "-c", "from avoidkit.logs.child import main; main()", folder]
    try:
        done = subprocess.run(
            command, input=json.dumps(order).encode(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            env=os.environ | one | more, timeout=limits.wait_s, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return "wait", None
    said = Path(folder) / SAID
    return done.returncode, json.loads(said.read_bytes()[:10_000]) if said.is_file() else None


def _complaint(path, code, said, limits):
    if said is not None:
        text = str(said)[:MESSAGE_CHARS].replace(str(path.resolve()), str(path))
        return text if text.startswith(f"{path}: ") else f"{path}: cannot be read: {text}"
    if code == "wait":
        return f"{path}: cannot be read: its reader was stopped after {limits.wait_s:.0f} s"
    why = {-24: f"it took over {limits.cpu_s} s of computing", -25: "what it holds is too large"}
    return f"{path}: cannot be read: its reader broke down: {why.get(code, f'exit code {code}')}"


def _collected(folder, path):
    index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
    with np.load(folder / RESULT, allow_pickle=False) as archive:
        arrays = {name: archive[name] for name in archive.files}
    series = {
        (group, channel): Series(arrays[time], arrays[values], unit)
        for group, channel, time, values, unit in index["series"]
    }
    damage = tuple(str(line).replace(str(path.resolve()), str(path)) for line in index["damage"])
    return Samples(series, float(index["start_s"]), damage)


# -- in the child ----------------------------------------------------------------------------------------------------


def main():
    """Read what standard input asks for, write it into the folder named on the command line, leave with a code."""
    folder, order = Path(sys.argv[1]), json.load(sys.stdin)
    try:
        samples = _readers(order, lambda: _limit(*order["limits"]))
        _hand_over(samples, folder)
    except MemoryError:
        _say(folder, f"its content takes over {order['limits'][1]} MB of memory")
    except InputError as error:
        _say(folder, str(error))
    except Exception as error:  # noqa: BLE001  (a reader of a foreign format may raise anything; the parent names it)
        _say(folder, f"{type(error).__name__}: {str(error).splitlines()[0] if str(error) else 'no reason given'}")
    os._exit(0 if (folder / INDEX).is_file() and not (folder / SAID).is_file() else 3)


def _say(folder, text):
    (folder / SAID).write_text(json.dumps(text[:MESSAGE_CHARS]), encoding="utf-8")


def _readers(order, limit):
    """Import the reader, which is trusted, then set the limits, then let it loose on the file."""
    wanted = [tuple(key) for key in order["wanted"]]
    if order["format"] == "mdf":
        from avoidkit.logs.mdf import library, read_mdf

        library()
        if order["databases"]:
            import canmatrix.formats  # noqa: F401  (asammdf loads it late)
        limit()
        return read_mdf(order["path"], wanted, order["databases"])
    from avoidkit.logs.blocks import read_blocks
    from avoidkit.logs.csv import read_csv

    limit()
    reader = {"csv": read_csv, "blocks": read_blocks}[order["format"]]
    return reader(order["path"], wanted, order["layout"], order["time"], order["factors"])


def _limit(cpu_s, memory_mb):
    """From here on at most so much more computing time and address space; small files only; no core dump.

    Where the system has no such limits (Windows), only the clock of the parent stops a reader.
    """
    try:
        import resource
    except ImportError:
        return
    used = resource.getrusage(resource.RUSAGE_SELF)
    most_s = int(used.ru_utime + used.ru_stime) + 1 + cpu_s
    resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s + 1))
    if os.path.exists("/proc/self/statm"):
        with open("/proc/self/statm", encoding="ascii") as file:
            pages = int(file.read().split()[0])
        most = pages * resource.getpagesize() + memory_mb * 1024**2
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_FSIZE, (1024**3, 1024**3))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _hand_over(samples, folder):
    arrays, keys, index = {}, {}, []
    for (group, channel), series in samples.series.items():
        time = keys.setdefault(id(series.time_s), f"t{len(keys)}")
        arrays[time] = series.time_s
        values = f"v{len(index)}"
        arrays[values] = series.values
        index.append([group, channel, time, values, series.unit])
    np.savez(folder / RESULT, **arrays)
    plain = {"series": index, "start_s": samples.start_s, "damage": list(samples.damage)[:50]}
    (folder / INDEX).write_text(json.dumps(plain), encoding="utf-8")
