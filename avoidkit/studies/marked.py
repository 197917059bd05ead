"""A person's marks on recordings, held against two sides of a comparison: both decide again, open loop."""

from functools import partial
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.recording import load_recording
from avoidkit.studies.marks import marks_beside, marks_path
from avoidkit.studies.redecide import redecide
from avoidkit.studies.spread import spread
from avoidkit.tracking import Tracker

NOT_MET = "a mark not met: {}"
MARKS = ("recording", "kind", "from_s", "to_s", "note", "cycles", "was_met", "a_wrong", "a_met", "b_wrong", "b_met")


def marked_in(recordings):
    """The paths of marked recordings.

    Parameters
    ----------
    recordings : folder, or iterable of paths
        Of a folder, every recording that has marks beside it.

    Returns
    -------
    list of Path
        Empty only where an empty iterable was handed in.

    Raises
    ------
    InputError
        If a recording is missing, has no marks, or its marks are wrong; if a folder holds no marked recording.
    """
    if isinstance(recordings, str | Path):
        folder = Path(recordings)
        if not folder.is_dir():
            return marked_in([folder])
        paths = [path for path in sorted(folder.glob("*.parquet")) if marks_path(path).exists()]
        if not paths:
            raise InputError(f"{folder}: holds no recording with marks beside it (RUN.parquet with RUN.marks.toml)")
        return paths
    paths = [Path(path) for path in recordings]
    for path in paths:
        if not path.is_file():
            raise InputError(f"{path}: no such file")
        if not marks_beside(path):
            raise InputError(f"{path}: has no marks; they belong into {marks_path(path)}")
    return paths


def held_against(paths, sides, executor=None):
    """Each mark against the verdicts of both sides.

    Parameters
    ----------
    paths : list of Path
        By `marked_in`.
    sides : dict
        `{"a": (Tuning, {"decide": ..., "track": ..., "map_space": ...}), "b": ...}`.
    executor : as for `spread`

    Returns
    -------
    DataFrame
        Columns `MARKS`: the mark; the number of cycles it speaks of; whether the recorded verdicts met it; cycles
        against it, and whether it is met, on either side.
    """
    import pandas as pd

    lines = [line for lines in spread(partial(_lines, sides=sides), paths, executor) for line in lines]
    return pd.DataFrame(lines, columns=MARKS)


def _lines(path, sides):
    recording = load_recording(path)
    found = {}
    for side, (tuning, stages) in sides.items():
        stages = stages | {"track": None} if stages["track"] is Tracker else stages
        found[side] = redecide(path, tuning, max_errors=len(recording), **stages).marked
    out = []
    for (was, a), (_, b) in zip(found["a"], found["b"], strict=True):
        line = {key: was[key] for key in ("kind", "from_s", "to_s", "note", "cycles")} | {"was_met": was["met"]}
        line |= {"a_wrong": a["wrong"], "a_met": a["met"], "b_wrong": b["wrong"], "b_met": b["met"]}
        out.append({"recording": Path(path).name} | line)
    return out
