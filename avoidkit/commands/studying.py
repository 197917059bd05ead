"""What the subcommands of studies have in common: options, seeds, executor, tables and pictures."""

from pathlib import Path

from avoidkit.checks import InputError


def add_study_options(made, *, workers=True):
    """Options that every study has."""
    made.add_argument("--out", metavar="FOLDER", required=True, help="tables and pictures go there; run again to go on")
    made.add_argument("--quiet", action="store_true", help="no progress line")
    if workers:
        made.add_argument("--workers", type=int, default=1, metavar="N", help="processes to use (1)")


def add_drive_options(made):
    """Options of studies that drive."""
    made.add_argument("--seeds", default="0-4", metavar="SEEDS", help="such as 0-9 or 1,4,7 (0-4)")
    made.add_argument("--duration", type=float, metavar="S", help="seconds to drive instead of the scene's own")
    made.add_argument("--exact", action="store_true", help="perfect knowledge in place of sensors, tracker and grid")


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
        if not (first.isdigit() and (not dash or last.isdigit())):
            raise InputError(f"--seeds: numbers such as 0-9 or 1,4,7 were wanted, got {text!r}")
        seeds += range(int(first), int(last) + 1) if dash else [int(first)]
    return seeds


def running(options, tables=("rows",)):
    """The arguments by which a study runs, from the options."""
    if getattr(options, "workers", 1) < 1:
        raise InputError(f"--workers must be at least 1, got {options.workers}")
    from avoidkit.studies.workers import processes

    executor = processes(options.workers) if getattr(options, "workers", 1) > 1 else None
    return {"executor": executor, "folder": Path(options.out), "progress": not options.quiet}


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
