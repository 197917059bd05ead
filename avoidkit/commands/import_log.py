"""`avoidkit import`: read a foreign log through a mapping file into a recording; what was found is told first."""

from avoidkit.commands.shared import (
    CAUTION,
    Progress,
    add_tuning,
    as_options,
    clear_place,
    command,
    counted,
    named_tuning,
    say,
)


def add(commands):
    """The options of this subcommand."""
    examples = ("log.csv --mapping map.toml", "log.mf4 --mapping map.toml --dbc bus.dbc --out run.parquet")
    made = command(commands, "import", run_import, "read a foreign log (CSV, text, MDF4) into a recording", examples)
    made.add_argument("log", metavar="LOG", help="the log, as the mapping says")
    made.add_argument(
        "--mapping", required=True, metavar="MAP", help="the mapping file (TOML): which channel of the log is what"
    )
    made.add_argument("--out", metavar="RUN", help="the recording (*.parquet); without it only the summary is told")
    add_tuning(made)
    made.add_argument(
        "--dbc",
        action="append",
        default=[],
        metavar="FILE",
        help="database of the bus (DBC), where the log holds its frames",
    )
    made.add_argument("--from", dest="from_s", type=float, metavar="S", help="first second to read (the log's first)")
    made.add_argument("--to", dest="to_s", type=float, metavar="S", help="last second to read (the log's last)")
    made.add_argument("--undecided", action="store_true", help="run no tracker, free space and decision on it")
    made.add_argument("--force", action="store_true", help="replace files that are there already")


def run_import(options):
    """Read, tell what was found, run the kit's stages on it, write."""
    import sys

    from avoidkit.logs import found_from, load_mapping, play, read_log

    mapping, tuning = load_mapping(options.mapping), named_tuning(options.tuning)
    clear_place(options.out, force=options.force, ending=".parquet")
    part = {"from_s": options.from_s, "to_s": options.to_s}
    with as_options(from_s="--from", to_s="--to"):
        recording = read_log(options.log, mapping, tuning=tuning, databases=options.dbc, **part)
    say(*found_from(recording.log["found"]).lines())
    if options.out is None:
        say(CAUTION)
        return 0
    if not options.undecided:
        progress = Progress(sys.stderr)
        recording = play(recording, progress=progress)
        progress.end()
    recording.save(options.out)
    say(f"{options.out}: {counted(len(recording), 'rows')}, {recording.duration_s:.2f} s", CAUTION)
    return 0
