"""Runs a long study on both cores, keeps finished rows, and leaves a table that says what it speaks of.

A study is a module of `tests.evidence.studies` with

    ABOUT                one line: what the table shows
    tasks()              -> list of plain dicts, each with whatever `run` needs (a `seed` where there is one)
    run(task)            -> a plain dict: the row
    conclude(frame)      -> a plain dict of the numbers worth reading first, each with its n and spread

and, where the table speaks of less than the whole kit, `SPEAKS_OF`: module names below `avoidkit`. A study
that needs the open data raises `Unavailable` in `tasks`.
"""

import ast
import hashlib
import importlib
import io
import json
import os
import platform
import subprocess
import threading
import time
import traceback
from concurrent.futures import ProcessPoolExecutor, as_completed
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path

import pandas as pd

from avoidkit.parameters import write_text
from avoidkit.places import home

ROOT = home()
FOLDER = ROOT / "data" / "evidence"
STUDIES = "tests.evidence.studies"
NOT_OF_THE_LOOP = ("__init__", "views", "commands", "cli", "handover", "logs", "studies")  # what no drive depends on


class Unavailable(Exception):
    """A study cannot be run here; the text says what is missing."""


def names():
    """Names of all studies, found by pattern."""
    folder = Path(__file__).parent / "studies"
    return sorted(file.stem for file in folder.glob("*.py") if not file.stem.startswith("_"))


def study(name):
    return importlib.import_module(f"{STUDIES}.{name}")


def sources_hash(speaks_of=None, package=None):
    """What the code does, in 12 hex digits: its syntax without comments, docstrings and layout; scenes and tunings."""
    package = ROOT / "avoidkit" if package is None else Path(package)
    digest = hashlib.sha256()
    for file in sorted(package.rglob("*.py")):
        module = ".".join(file.relative_to(package).with_suffix("").parts)
        top = module.split(".")[0]
        if top in NOT_OF_THE_LOOP if speaks_of is None else module not in speaks_of and top not in speaks_of:
            continue
        digest.update(f"{module}\n{_bare(file.read_text(encoding='utf-8'))}\n".encode())
    for file in sorted(package.parent.glob("data/scenes/*.toml")) + sorted(package.parent.glob("data/tunings/*.toml")):
        digest.update(f"{file.name}\n{file.read_text(encoding='utf-8')}\n".encode())
    return digest.hexdigest()[:12]


def _bare(text):
    tree = ast.parse(text)
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if (
            isinstance(body, list)
            and body
            and isinstance(body[0], ast.Expr)
            and isinstance(body[0].value, ast.Constant)
        ):
            node.body = body[1:]
    return ast.dump(tree)


def state(name, folder=FOLDER):
    """`missing`, `fresh`, `stale`, with `, n rows of an unfinished run` where there is one; and the head or None."""
    head_file, part = folder / f"{name}.json", folder / f"{name}.part"
    unfinished = len(_kept(part, None)) if part.is_file() else 0
    tail = f", {unfinished} rows of an unfinished run" if unfinished else ""
    if not head_file.is_file():
        return f"missing{tail}", None
    head = json.loads(head_file.read_text(encoding="utf-8"))
    fresh = head["sources"] == sources_hash(getattr(study(name), "SPEAKS_OF", None))
    return ("fresh" if fresh else "stale") + tail, head


def _kept(part, sources):
    """Rows of an unfinished run as {key: row}; none where its sources differ. A line cut off at the end is left out."""
    rows = {}
    for k, line in enumerate(part.read_text(encoding="utf-8").splitlines()):
        try:
            entry = json.loads(line)
        except json.JSONDecodeError:
            continue
        if k == 0 and sources is not None and entry.get("sources") != sources:
            return {}
        if "key" in entry:
            rows[entry["key"]] = entry["row"]
    return rows


def _key(task):
    return json.dumps(task, sort_keys=True)


def _end_with_parent(parent):
    """Ends this worker once the process that made it has gone: a killed run leaves nobody computing on."""

    def watch():
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _work(name, task):
    started = time.process_time()
    row = study(name).run(task)
    return {**row, "cpu_s": round(time.process_time() - started, 2)}


def run(name, *, workers=2, folder=FOLDER, limit=None, say=print):
    """Run a study to its end, or on from where it was; returns the number of tasks that failed."""
    module = study(name)
    tasks = module.tasks()[:limit]
    sources = sources_hash(getattr(module, "SPEAKS_OF", None))
    folder.mkdir(parents=True, exist_ok=True)
    part = folder / f"{name}.part"
    rows = _kept(part, sources) if part.is_file() else {}
    todo = [task for task in tasks if _key(task) not in rows]
    say(f"{name}: {len(tasks)} tasks, {len(tasks) - len(todo)} done before, {workers} workers")
    failed = _carry_out(name, todo, rows, part, sources, workers, say)
    if failed:
        say(f"{name}: {failed} tasks failed; run it again to try them anew, finished rows are kept in {part.name}")
        return failed
    _finish(name, module, [{**task, **rows[_key(task)]} for task in tasks], sources, folder, limit)
    part.unlink(missing_ok=True)
    say(f"{name}: {folder / name}.csv and .json written")
    return 0


def _carry_out(name, todo, rows, part, sources, workers, say):
    for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")
    failed, started = 0, time.monotonic()
    with part.open("w", encoding="utf-8") as out:
        out.write(json.dumps({"sources": sources}) + "\n")
        for key, row in rows.items():
            out.write(json.dumps({"key": key, "row": row}) + "\n")
        out.flush()
        with ProcessPoolExecutor(
            workers, mp_context=get_context("spawn"), initializer=_end_with_parent, initargs=(os.getpid(),)
        ) as pool:
            futures = {pool.submit(_work, name, task): task for task in todo}
            for k, future in enumerate(as_completed(futures), 1):
                task = futures[future]
                error = future.exception()
                if error is not None:
                    failed += 1
                    say(f"  {_key(task)}: {''.join(traceback.format_exception_only(error)).strip()}")
                    continue
                rows[_key(task)] = json.loads(json.dumps(future.result()))
                out.write(json.dumps({"key": _key(task), "row": rows[_key(task)]}) + "\n")
                out.flush()
                if k == len(todo) or k % max(1, len(todo) // 20) == 0:
                    say(f"  {k} of {len(todo)}, {time.monotonic() - started:.0f} s")
    return failed


def _finish(name, module, rows, sources, folder, limit):
    frame = pd.DataFrame(rows)
    head = {
        "study": name,
        "about": module.ABOUT,
        "n": len(frame),
        "whole": limit is None,
        "seeds": sorted(int(seed) for seed in frame["seed"].unique()) if "seed" in frame else [],
        "conclusion": module.conclude(frame),
        "machine": machine(),
        "date": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "commit": commit(),
        "sources": sources,
        "note": "A desk prototype's numbers, not evidence of safety.",
    }
    table = io.StringIO()
    frame.to_csv(table, index=False)
    write_text(folder / f"{name}.csv", table.getvalue())
    write_text(folder / f"{name}.json", json.dumps(head, indent=2, ensure_ascii=False) + "\n")


def machine():
    """Kind of processor, cores, system, versions that shape numbers."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.is_file():
        lines = cpuinfo.read_text(encoding="utf-8").splitlines()
        model = next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), model)
    import numba
    import numpy as np

    return {
        "processor": model,
        "cores": os.cpu_count(),
        "system": platform.system(),
        "python": platform.python_version(),
        "numpy": np.__version__,
        "numba": numba.__version__,
    }


def commit():
    """The commit the sources are at; `+ changes` where the package differs from it; `unknown` outside a clone."""
    try:
        head = subprocess.run(
            ["git", "rev-parse", "--short=12", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
        )
        changes = subprocess.run(
            ["git", "status", "--porcelain", "--", "avoidkit", "data/scenes", "data/tunings"],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        )
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return head.stdout.strip() + (" + changes" if changes.stdout.strip() else "")


def overview(folder=FOLDER):
    """One line a study: its name, state, n, date, commit, what it shows."""
    lines = []
    for name in names():
        what, head = state(name, folder)
        facts = f"n {head['n']}, {head['date']}, {head['commit']}" if head else "-"
        lines.append(f"{name:18} {what:8} {facts:58} {study(name).ABOUT}")
    return lines


def conclusion_lines(name, folder=FOLDER):
    """The numbers worth reading first, as lines."""
    head = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
    return [f"  {key}: {value}" for key, value in head["conclusion"].items()]
