"""`avoidkit import`: read a foreign log through a mapping file into a recording; what was found is told first."""

from avoidkit.commands.shared import CAUTION, Progress, clear_place, command, named_tuning, say


def add(commands):
    """The options of this subcommand."""
    made = command(commands, "import", run_import, "read a foreign log (CSV, text, MDF4) into a recording")
    made.add_argument("log", metavar="LOG", help="the log, as the mapping says")
    made.add_argument("--mapping", required=True, metavar="MAP.toml", help="which channel of the log is what")
    made.add_argument("--out", metavar="RUN.parquet", help="the recording; without it only the summary is told")
    made.add_argument("--tuning", default="baseline", help="tuning by name or file (baseline)")
    made.add_argument("--dbc", action="append", default=[], metavar="FILE", help="database of the bus, for its frames")
    made.add_argument("--from", dest="from_s", type=float, metavar="S", help="first second to read")
    made.add_argument("--to", dest="to_s", type=float, metavar="S", help="last second to read")
    made.add_argument("--undecided", action="store_true", help="run no tracker, free space and decision on it")
    made.add_argument("--force", action="store_true", help="replace RUN.parquet if it is there already")


def run_import(options):
    """Read, tell what was found, run the kit's stages on it, write."""
    import sys

    from avoidkit.logs import found_from, load_mapping, play, read_log

    mapping, tuning = load_mapping(options.mapping), named_tuning(options.tuning)
    clear_place(options.out, force=options.force)
    part = {"from_s": options.from_s, "to_s": options.to_s}
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
    say(f"{options.out}: {len(recording)} rows, {recording.duration_s:.2f} s", CAUTION)
    return 0
