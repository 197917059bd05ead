"""Runs a long study as `avoidkit.studies` runs any, and leaves a table that says what it speaks of.

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
import math
import os
import platform
import re
import shutil
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from avoidkit.parameters import write_text
from avoidkit.places import home
from avoidkit.studies.run import Plan, execute
from avoidkit.studies.shelf import OtherStudy, kept
from avoidkit.studies.workers import processes

ROOT = home()
FOLDER = ROOT / "data" / "evidence"
STUDIES = "tests.evidence.studies"
TIMES = ("cpu_s", "times_real_time")  # columns that tell of the machine
LEAST_AGAIN = 20
# What no drive depends on; `jit` makes loops fast and leaves their results as they are (tests/test_jit.py).
NOT_OF_THE_LOOP = ("__init__", "jit", "views", "commands", "cli", "handover", "logs", "studies")


class Unavailable(Exception):
    """A study cannot be run here; the text says what is missing."""


def names():
    """Names of all studies, found by pattern."""
    folder = Path(__file__).parent / "studies"
    return sorted(file.stem for file in folder.glob("*.py") if not file.stem.startswith("_"))


def study(name):
    return importlib.import_module(f"{STUDIES}.{name}")


def sources_hash(speaks_of=None, package=None):
    """What the code does, in 12 hex digits: its syntax without comments, docstrings and layout; scenes and tunings.

    A table that does not speak of the tracker does not speak of those numbers of a tuning either that it alone reads.
    """
    package = ROOT / "avoidkit" if package is None else Path(package)
    digest, spoken = hashlib.sha256(), ""
    for file in sorted(package.rglob("*.py")):
        module = ".".join(file.relative_to(package).with_suffix("").parts)
        top = module.split(".")[0]
        if top in NOT_OF_THE_LOOP if speaks_of is None else module not in speaks_of and top not in speaks_of:
            continue
        code = file.read_text(encoding="utf-8")
        spoken += code
        digest.update(f"{module}\n{_bare(code)}\n".encode())
    tunings = [file for file in package.parent.glob("data/tunings/*.toml") if not file.name.startswith("limits_")]
    for file in sorted(package.parent.glob("data/scenes/*.toml")) + sorted(tunings):
        text = file.read_text(encoding="utf-8")
        if file in tunings and speaks_of is not None and "tracking" not in speaks_of:
            text = _without_tracking(text, set(re.findall(r"tuning\.tracking\.(\w+)", spoken)))
        digest.update(f"{file.name}\n{text}\n".encode())
    return digest.hexdigest()[:12]


def _without_tracking(text, but):
    """A tuning's text without its section on tracking, of which only the fields `but` are kept."""
    found = re.search(r"^\[tracking\].*?(?=^\[|\Z)", text, flags=re.MULTILINE | re.DOTALL)
    if found is None:
        return text
    kept = [line for line in found[0].splitlines() if line.split(" = ")[0] in but]
    return "\n".join([text[: found.start()], *kept, text[found.end() :]])


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
    head_file, parts = folder / f"{name}.json", folder / f"{name}.part"
    unfinished = sum("row" in row for row, _ in kept(parts).values()) if parts.is_dir() else 0
    tail = f", {unfinished} rows of an unfinished run" if unfinished else ""
    if not head_file.is_file():
        return f"missing{tail}", None
    head = json.loads(head_file.read_text(encoding="utf-8"))
    sources, again = sources_hash(getattr(study(name), "SPEAKS_OF", None)), head.get("again", {})
    what = "fresh" if head["sources"] == sources else "stale"
    if what == "stale" and again.get("sources") == sources:
        what = f"stale, but {again['rows']} of {head['n']} rows came out equal again"
    return what + tail, head


def run(name, *, workers=2, folder=FOLDER, limit=None, say=print, progress=True):
    """Run a study to its end, or on from where it was; returns the number of tasks that failed.

    `workers` 0: in this process.
    """
    module = study(name)
    sources = sources_hash(getattr(module, "SPEAKS_OF", None))
    plan = _plan(module, tuple(module.tasks()[:limit]), sources)
    parts = folder / (f"{name}.part" if limit is None else f"{name}-{limit}.part")
    before = len(kept(parts)) if parts.is_dir() else 0
    say(f"{name}: {len(plan.tasks)} tasks, {before} kept from before, {workers} workers")
    done = _carry_out(plan, parts, workers, say, progress)
    failed = [(task, row["error"]) for task, row in zip(plan.tasks, done, strict=True) if row.get("errors", 0) > 0]
    if failed:
        for task, error in failed:
            say(f"  {json.dumps(task)}: {error}")
        say(f"{name}: {len(failed)} tasks failed; run it again to try them anew, finished rows are kept in {parts}")
        return len(failed)
    rows = [{**task, **row["row"]} for task, row in zip(plan.tasks, done, strict=True)]
    _finish(name, module, rows, sources, folder, limit)
    shutil.rmtree(parts)
    say(f"{name}: {folder / name}.csv and .json written")
    return 0


def run_again(name, *, workers=2, folder=FOLDER, say=print, progress=True):
    """Carry out a twentieth of a whole table's tasks, at least 20, with the code as it is; 0 where each row is equal.

    Which ones is drawn with the code's hash as seed. Where all are equal the head says so; the table stays what it was.
    """
    module = study(name)
    file = folder / f"{name}.csv"
    if not file.is_file() or not json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))["whole"]:
        raise Unavailable(f"no whole table to compare with in {folder}")
    sources = sources_hash(getattr(module, "SPEAKS_OF", None))
    tasks, old = module.tasks(), pd.read_csv(file, dtype=str, keep_default_na=False)
    if len(tasks) != len(old):
        raise Unavailable(f"its table has {len(old)} rows, the study now {len(tasks)} tasks; run it whole")
    n = min(len(tasks), max(LEAST_AGAIN, math.ceil(0.05 * len(tasks))))
    chosen = np.sort(np.random.default_rng(int(sources, 16)).choice(len(tasks), n, replace=False))
    plan = _plan(module, tuple(tasks[k] for k in chosen), sources)
    parts = folder / f"{name}-again.part"
    say(f"{name}: {n} of {len(tasks)} tasks again, {workers} workers")
    done = _carry_out(plan, parts, workers, say, progress)
    frame = pd.DataFrame([{**task, **row.get("row", row)} for task, row in zip(plan.tasks, done, strict=True)])
    new = pd.read_csv(io.StringIO(frame.to_csv(index=False)), dtype=str, keep_default_na=False)
    old = old.iloc[chosen].reset_index(drop=True)
    columns = [column for column in [*old.columns, *new.columns.difference(old.columns)] if column not in TIMES]
    other = _differing(old.reindex(columns=columns), new.reindex(columns=columns))
    for k in other[:5]:
        wrong = {c: f"{old.get(c, {}).get(k)} -> {new.get(c, {}).get(k)}" for c in columns if _other(old, new, c, k)}
        say(f"  {json.dumps(plan.tasks[k])}: {json.dumps(wrong)}")
    shutil.rmtree(parts)
    say(f"{name}: {n - len(other)} of {n} rows equal" + ("; run it whole" if other else ""))
    if not other:
        head = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
        head["again"] = {"rows": n, "date": _now(), "commit": commit(), "sources": sources}
        write_text(folder / f"{name}.json", json.dumps(head, indent=2, ensure_ascii=False) + "\n")
    return len(other)


def _differing(old, new):
    return [k for k in range(len(old)) if any(_other(old, new, column, k) for column in old.columns)]


def _other(old, new, column, k):
    return column not in old or column not in new or old[column][k] != new[column][k]


def _plan(module, tasks, sources):
    own = hashlib.sha256(_bare(Path(module.__file__).read_text(encoding="utf-8")).encode()).hexdigest()[:12]
    return Plan(
        f"evidence {module.__name__.rpartition('.')[2]}", work, tasks,
        settings={"study": module.__name__, "written": own}, code=sources,
    )  # fmt: skip


def work(task, context):
    """One task of a study as the machinery of studies carries it out."""
    started = time.process_time()
    row = importlib.import_module(context.settings["study"]).run(task)
    return {"row": {**row, "cpu_s": round(time.process_time() - started, 2)}}


def _carry_out(plan, parts, workers, say, progress):
    """A row a task, in order; rows of other code are thrown away first, failed tasks are tried anew."""
    given = {
        "executor": processes(workers) if workers else None, "max_errors": len(plan.tasks) + 1, "again": True,
        "progress": progress,
    }  # fmt: skip
    try:
        results = execute(plan, folder=parts, **given)
    except OtherStudy as why:
        say(f"begun anew: {why}")
        shutil.rmtree(parts)
        results = execute(plan, folder=parts, **given)
    return results.rows.to_dict("records")


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
        "date": _now(),
        "commit": commit(),
        "sources": sources,
        "note": "A desk prototype's numbers, not evidence of safety.",
    }
    table = io.StringIO()
    frame.to_csv(table, index=False)
    write_text(folder / f"{name}.csv", table.getvalue())
    write_text(folder / f"{name}.json", json.dumps(head, indent=2, ensure_ascii=False) + "\n")


def _now():
    return datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")


def machine():
    """Kind of processor, cores, system, versions that shape numbers."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.is_file():
        lines = cpuinfo.read_text(encoding="utf-8").splitlines()
        model = next((line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")), model)
    import numba

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
