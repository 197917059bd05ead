"""`avoidkit gate`: decide and drive a set of recordings again; exit code 1 when a promise is broken."""

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
)

BROKEN = 1  # exit code


def add(commands):
    """The options of this subcommand."""
    examples = ("runs --tuning slow_brakes", "runs --tuning new.toml --gap 0.2 --junit gate.xml --workers 2")
    text = "decide and drive recordings again; exit code 1 when a promise is broken"
    made = command(commands, "gate", run_gate, text, examples)
    made.add_argument("baseline", metavar="BASELINE_DIR", help="a folder of recordings, with marks beside them or not")
    add_tuning(made, "NEW", default=None, required=True)
    add_start(made)
    made.add_argument("--gap", type=float, default=0.10, metavar="M", help="least gap to a body while moving, m (0.10)")
    made.add_argument("--needless", type=int, default=0, metavar="N", help="new needless halts allowed in all (0)")
    made.add_argument("--junit", metavar="XML", help="write the result as JUnit XML")
    made.add_argument("--table", metavar="CSV", help="write a line for each recording")
    add_workers(made)
    made.add_argument("--force", action="store_true", help="replace files that are there already")


def run_gate(options):
    """Run the gate, print and write what came out: 0 let through, 1 a promise is broken, 2 a mistake."""
    from avoidkit.parameters import validated
    from avoidkit.studies.gate import Limits, gate, recordings_in
    from avoidkit.studies.junit import write_junit
    from avoidkit.studies.spread import harmless, pool_of

    allowed = {"gap_m": options.gap, "new_needless_halts": options.needless}
    if options.gap != options.gap:
        raise InputError("--gap must be a number, got nan")
    least(options, workers=1)
    limits, tuning = validated(Limits, allowed, "limits"), named_tuning(options.tuning)
    paths = recordings_in(options.baseline)
    for out in (options.junit, options.table):
        clear_place(out, force=options.force)
    executor = pool_of(options.workers, len(paths))
    report = gate(paths, tuning, start=options.start, limits=limits, executor=executor)
    if options.junit:
        write_junit(report, options.junit)
    if options.table:
        report.table().map(harmless).to_csv(options.table, index=False)
    say("avoidkit gate: " + report.lines()[0], *report.lines()[1:], CAUTION)
    return 0 if report.passed else BROKEN
