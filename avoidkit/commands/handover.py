"""`avoidkit handover`: a frozen tuning with parameter table, vectors and runner, for another implementation."""

from avoidkit.checks import InputError
from avoidkit.commands.shared import CAUTION, command, counted, named_tuning, say


def add(commands):
    """The options of this subcommand."""
    examples = ("baseline --out handover", "--serve")
    made = command(
        commands, "handover", run_handover, "write a tuning with vectors for another implementation", examples
    )
    made.add_argument("tuning", nargs="?", metavar="TUNING", help="a tuning file, or a shipped name")
    made.add_argument("--out", metavar="FOLDER", help="the folder to write, new or empty")
    made.add_argument("--force", action="store_true", help="replace an older hand-over in FOLDER")
    made.add_argument("--serve", action="store_true", help="instead, answer lines of JSON on stdin, as the kit itself")


def run_handover(options):
    """Write the folder, or be the kit's own implementation at the other end of a pipe."""
    if options.serve:
        from avoidkit.handover.serve import serve

        serve()
        return 0
    if not options.tuning or not options.out:
        raise InputError("name a tuning and --out FOLDER, or say --serve")
    tuning = named_tuning(options.tuning)
    from avoidkit.handover import write_handover

    counts = write_handover(tuning, options.out, force=options.force)
    lines = [f"  {name:<14} {counted(count, 'vectors')}" for name, count in counts.items()]
    say(f"{options.out}: hand-over of {tuning.name} ({tuning.hash})", *lines, "  begin with README.md", CAUTION)
    return 0
