"""`avoidkit export`: write a recording as CSV or MDF4 for other programs, with a mapping to read it again."""

from avoidkit.commands.shared import CAUTION, clear_place, command, say


def add(commands):
    """The options of this subcommand."""
    examples = ("run.parquet --out run.csv", "run.parquet --out run.mf4")
    made = command(commands, "export", run_export, "write a recording as CSV or MDF4 for other programs", examples)
    made.add_argument("recording", metavar="RUN", help="a recording (Parquet, .part)")
    made.add_argument("--out", required=True, metavar="FILE", help="the file (*.csv, *.mf4); a mapping goes beside it")
    made.add_argument("--force", action="store_true", help="replace files that are there already")


def run_export(options):
    """Write both files, and say where they are."""
    import os

    from avoidkit.logs.export import export_log
    from avoidkit.parameters import write_text
    from avoidkit.recording import load_recording

    clear_place(options.out, force=options.force)
    recording = load_recording(options.recording)
    file, mapping = export_log(recording, options.out, replace=options.force)
    write_text(mapping, f"# {CAUTION}\n{mapping.read_text(encoding='utf-8')}")
    marked = [recording.mark] if recording.mark else []
    say(f"{file}: {os.path.getsize(file) / 1e6:.2f} MB", f"{mapping}: reads it again", *marked, CAUTION)
    return 0
