"""Logs damaged in many ways, 300 a format: each is read, or refused in one line that names the file."""

import json
import subprocess
import sys

from tests.evidence.runner import ROOT, Unavailable
from tests.evidence.studies._drives import spread

ABOUT = "300 damaged logs a format: read or refused in one line that names the file; computing time and memory"
SPEAKS_OF = ("logs", "tracking", "recording")
KINDS, BATCHES, EACH = ("csv", "blocks", "mdf"), 6, 50


def tasks():
    try:
        import asammdf  # noqa: F401
    except ImportError as error:
        raise Unavailable("asammdf is not installed: pip install avoidkit[mdf]") from error
    return [{"kind": kind, "seed": 700 + k} for k in range(BATCHES) for kind in KINDS]


def run(task):
    command = [sys.executable, "-m", "tests.mutated_logs", task["kind"], str(EACH), str(task["seed"])]
    said = json.loads(subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True).stdout)
    return {
        "read": said["read"], "refused": said["refused"], "otherwise": len(said["other"]),
        "greatest_mb": round(max(said["peak_mb"], said["own_peak_mb"]), 1),
    }  # fmt: skip


def conclude(frame):
    out = {}
    for kind, rows in frame.groupby("kind"):
        read, refused, otherwise = (int(rows[name].sum()) for name in ("read", "refused", "otherwise"))
        out[f"{kind}: read, refused, anything else"] = [read, refused, otherwise]
        out[f"{kind}: greatest memory of a batch, MB"] = spread(rows["greatest_mb"], 1)
    return out
