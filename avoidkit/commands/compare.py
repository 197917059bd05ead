"""`avoidkit compare`: two tunings on the same scenes and seeds."""

from pathlib import Path

from avoidkit.commands.shared import CAUTION, as_options, command, named_scene, named_tuning, say
from avoidkit.commands.studying import (
    add_drive_options,
    add_study_options,
    running,
    seeds_of,
    write_picture,
    write_table,
    written,
)


def add(commands):
    """The options of this subcommand."""
    examples = ("baseline slow_brakes guest_crosses guest_stands_room --seeds 0-19 --workers 2 --record --out pair",)
    text = "drive two tunings on the same scenes and seeds, and set them side by side"
    made = command(commands, "compare", run_compare, text, examples)
    made.add_argument("tuning_a", metavar="TUNING", help="a tuning file, or a shipped name")
    made.add_argument("tuning_b", metavar="OTHER", help="the other tuning")
    made.add_argument("scenes", nargs="+", metavar="SCENE", help="scene files, or names of shipped ones")
    made.add_argument("--record", action="store_true", help="keep the recordings of both sides, in FOLDER/recordings")
    made.add_argument(
        "--marked", metavar="RUNS", help="recordings with marks beside them (one, or a folder): count the marks not met"
    )
    add_drive_options(made)
    add_study_options(made)


def run_compare(options):
    """Compare; tables and picture into the folder, the sentences on stdout."""
    tunings = named_tuning(options.tuning_a), named_tuning(options.tuning_b)
    scenes = [named_scene(name) for name in options.scenes]
    from avoidkit.studies.comparison import compare

    with as_options(seeds="--seeds"):
        found = compare(
            scenes, *tunings, seeds=seeds_of(options.seeds), duration_s=options.duration,
            loop="exact" if options.exact else "sensed",
            recordings=str(Path(options.out) / "recordings") if options.record else None, marked=options.marked or (),
            **running(options),
        )  # fmt: skip
    from avoidkit.studies.spread import harmless
    from avoidkit.views.pairs import comparison_figure

    files = write_table(found.rows, options.out, "pairs") + write_table(found.events(), options.out, "events")
    files += write_table(found.paired(), options.out, "differences") + write_table(
        found.changed(), options.out, "changed"
    )
    files += write_table(found.times, options.out, "times")
    if found.marks is not None:
        files += write_table(found.marks.map(harmless), options.out, "marks")
    files += write_picture(comparison_figure(found), options.out, "compare")
    say("avoidkit compare: " + found.lines()[0], *(f"  {line}" for line in found.lines()[1:]), written(files), CAUTION)
    return 0
