"""`avoidkit redecide`: decide again on recordings, with another tuning, and say what would have changed."""

from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.commands.shared import (
    CAUTION,
    add_start,
    add_tuning,
    add_workers,
    clear_place,
    command,
    least,
    named_tuning,
    say,
    write_bytes,
)


def add(commands):
    """The options of this subcommand."""
    examples = ("run.parquet --tuning slow_brakes --picture changed.png", "runs/*.parquet --start tracks --workers 2")
    text = "decide again on recordings and say what would have changed"
    made = command(commands, "redecide", run_redecide, text, examples)
    made.add_argument("recordings", nargs="+", metavar="RUN", help="recordings (Parquet, .part)")
    add_tuning(made, default=None)
    add_start(made)
    made.add_argument("--table", metavar="CSV", help="write every changed cycle, a line each")
    made.add_argument("--picture", metavar="PNG", help="draw what changed; for one recording")
    add_workers(made)
    made.add_argument("--force", action="store_true", help="replace files that are there already")


def run_redecide(options):
    """Decide again on each, print what changed, and write what was asked for."""
    if options.picture and len(options.recordings) > 1:
        raise InputError(f"--picture is of one recording, got {len(options.recordings)}")
    for name in options.recordings:
        if Path(name).is_dir():
            raise InputError(f"{name}: is a folder, recordings (Parquet, .part) were wanted")
        if not Path(name).is_file():
            raise InputError(f"{name}: no such file")
    tuning = None if options.tuning is None else named_tuning(options.tuning)
    least(options, workers=1)
    clear_place(options.table, force=options.force)
    clear_place(options.picture, force=options.force, ending=".png")
    results = decided_again(options.recordings, tuning, options)
    for one in results:
        say(*one.lines())
    if len(results) > 1:
        say(_in_all(results))
    if options.table:
        write_table(results, options.table)
    if options.picture:
        from avoidkit.views.redecided import redecided_png

        write_bytes(options.picture, redecided_png(results[0]))
    from avoidkit.studies.redecided import CAUTION as OPEN_LOOP

    say(OPEN_LOOP, CAUTION)
    return 0


def decided_again(recordings, tuning, options):
    """The results, in one process or in several."""
    from avoidkit.studies.redecide import redecide_many
    from avoidkit.studies.spread import pool_of

    executor = pool_of(options.workers, len(recordings))
    return redecide_many(recordings, tuning, start=options.start, executor=executor)


def write_table(results, path):
    """Every changed cycle of every recording as CSV; text that a spreadsheet would take for a formula is quoted."""
    import pandas as pd

    from avoidkit.studies.spread import harmless

    parts = [one.changed.assign(recording=one.name) for one in results]
    frame = pd.concat(parts, ignore_index=True)
    frame.insert(0, "recording", frame.pop("recording"))
    frame.map(harmless).to_csv(path, index=False)


def _in_all(results):
    same = sum(one.identical for one in results)
    changed, cycles = (sum(one.summary()[key] for one in results) for key in ("changed", "cycles"))
    return f"{len(results)} recordings: {same} with identical verdicts; {changed} of {cycles} cycles changed"
