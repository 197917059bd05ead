"""What the subcommands of studies have in common: options, seeds, executor, tables and pictures."""

import os
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.commands.shared import add_workers, drivable, least

MOST_SEEDS = 100_000


def add_study_options(made, *, workers=True):
    """Options that every study has."""
    made.add_argument(
        "--out", metavar="FOLDER", required=True, help="where tables and pictures go; call again to go on after a stop"
    )
    made.add_argument("--quiet", action="store_true", help="no progress line")
    made.add_argument(
        "--force", action="store_true", help="replace tables and pictures in FOLDER that are not of this study"
    )
    made.set_defaults(stopped=stopped)
    if workers:
        add_workers(made)


def stopped(options):
    """What is said at a Ctrl-C outside the drives themselves, such as while a picture is drawn."""
    if not Path(options.out).is_dir():
        return "interrupted before anything was done"
    return f"interrupted; what is done is kept in {options.out}: the same call goes on from there"


def add_drive_options(made):
    """Options of studies that drive."""
    made.add_argument(
        "--seeds", default="0-4", metavar="SEEDS", help="which seeds: 0-9 are ten, 1,4,7 three, 2 is seed 2 alone (0-4)"
    )
    made.add_argument("--duration", type=float, metavar="S", help="seconds to drive, at most 3600 (as the scene says)")
    made.add_argument(
        "--exact", action="store_true", help="with perfect knowledge in place of sensors, tracker and grid: faster"
    )


def seeds_of(text):
    """Seeds from `0-9` or `1,4,7`.

    Examples
    --------
    >>> seeds_of("0-3,7")
    [0, 1, 2, 3, 7]
    """
    seeds = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        wanted = "numbers such as 0-9 (ten seeds), 1,4,7 (three) or 2 (seed 2 alone)"
        if not all(
            word.isascii() and word.isdigit() and len(word) < 19 for word in ([first, last] if dash else [first])
        ):
            raise InputError(f"--seeds: {wanted} were wanted, got {text!r}")
        low, high = int(first), int(last or first)
        if high < low or high - low >= MOST_SEEDS:
            raise InputError(
                f"--seeds: a range from low to high, of at most {MOST_SEEDS} seeds, was wanted, got {part.strip()!r}"
            )
        seeds += range(low, high + 1)
    return seeds


def named_once(pairs, option):
    """The dict of (name, what) pairs from an option that may be said several times; a name said twice is refused.

    Examples
    --------
    >>> named_once([("cycle_s", 1), ("cycle_s", 2)], "--over")
    Traceback (most recent call last):
    avoidkit.checks.InputError: --over: cycle_s was said twice; say all its values at once
    """
    names = [name for name, _ in pairs]
    twice = next((name for k, name in enumerate(names) if name in names[:k]), None)
    if twice is not None:
        raise InputError(f"{option}: {twice} was said twice; say all its values at once")
    return dict(pairs)


def running(options, *, writes=(), kept=""):
    """The arguments by which a study runs, from the options; mistakes in them are refused.

    Parameters
    ----------
    writes : sequence of str
        Patterns of the files that the command writes into its folder, where `Shelf` does not look after that.
    kept : str
        Pattern of the manifests that say that the folder is of this study already.
    """
    if hasattr(options, "duration"):
        drivable(options)
    if hasattr(options, "workers"):
        least(options, workers=1)
        most = max(8, 4 * (os.cpu_count() or 1))
        if options.workers > most:
            raise InputError(f"--workers must be at most {most} on this machine, got {options.workers}")
    if Path(options.out).exists() and not Path(options.out).is_dir():
        raise InputError(f"{options.out}: is a file, a folder was wanted")
    if not options.force:
        _require_own(Path(options.out), writes, kept)
    from avoidkit.studies.workers import processes

    executor = processes(options.workers) if getattr(options, "workers", 1) > 1 else None
    return {"executor": executor, "folder": Path(options.out), "progress": not options.quiet}


def _require_own(folder, writes, kept):
    """Refuse a file of a name that is to be written where no study of ours is kept beside it."""
    if kept and any(folder.glob(kept)):
        return
    there = next((file for pattern in writes for file in sorted(folder.glob(pattern))), None)
    if there is not None:
        raise InputError(f"{there}: is there already; choose another folder, or say --force to replace it")


def write_table(frame, folder, name):
    """NAME.parquet and NAME.csv; their paths."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / f"{name}.parquet", folder / f"{name}.csv"]
    frame.to_parquet(files[0], index=False)
    frame.to_csv(files[1], index=False)
    return files


def write_picture(figure, folder, name):
    """NAME.png and NAME.svg; their paths."""
    from avoidkit.views.style import look

    files = [Path(folder) / f"{name}.png", Path(folder) / f"{name}.svg"]
    with look():
        for file in files:
            figure.savefig(file, metadata={"Date": None} if file.suffix == ".svg" else None)
    return files


def written(files):
    """The line that says what was written."""
    return "  written      " + ", ".join(str(file) for file in files)
