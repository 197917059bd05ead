"""`avoidkit sweep`: drive scenes over a range of tunings and show what a wider margin costs."""

from avoidkit.checks import InputError
from avoidkit.commands.shared import CAUTION, add_tuning, as_options, command, named_scene, named_tuning, say
from avoidkit.commands.studying import (
    add_drive_options,
    add_study_options,
    named_once,
    running,
    seeds_of,
    write_picture,
    write_table,
    written,
)


def add(commands):
    """The options of this subcommand."""
    examples = (
        "guest_stands_room --over decision.clearance_m=0.1:0.5 --n 5 --seeds 0-9 --workers 2 --out margin",
        "lane_6m --over decision.clearance_m=0.2,0.4 --over people.k_sigma=2,3 --exact --out both",
    )
    text = "drive scenes over a range of tunings: what a wider margin costs"
    made = command(commands, "sweep", run_sweep, text, examples)
    made.add_argument("scenes", nargs="+", metavar="SCENE", help="scene files, or names of shipped ones")
    add_tuning(made)
    made.add_argument(
        "--over", action="append", required=True, metavar="FIELD=VALUES",
        help="values 0.2,0.3,0.4 or a range 0.1:0.5 of a field of the tuning; may be said several times",
    )  # fmt: skip
    made.add_argument(
        "--design",
        default="grid",
        metavar="DESIGN",
        help="how settings are picked: grid, latin, sobol or indices (grid)",
    )
    made.add_argument("--n", type=int, metavar="N", help="levels of each range (5), or settings of the design")
    add_drive_options(made)
    add_study_options(made)


def run_sweep(options):
    """Sweep; tables and picture into the folder, the front on stdout."""
    scenes, tuning = [named_scene(name) for name in options.scenes], named_tuning(options.tuning)
    over = named_once([over_of(text) for text in options.over], "--over")
    from avoidkit.studies.sweep import sweep

    with as_options(over="--over", seeds="--seeds", design="--design", n="--n"):
        found = sweep(
            scenes, tuning, over, seeds=seeds_of(options.seeds), design=options.design, n=options.n,
            duration_s=options.duration, loop="exact" if options.exact else "sensed", **running(options),
        )  # fmt: skip
    from avoidkit.views.tradeoff import tradeoff_figure

    files = write_table(found.rows, options.out, "sweep") + write_table(found.settings(), options.out, "settings")
    files += write_table(found.matters(), options.out, "matters") + write_table(found.times, options.out, "times")
    files += write_picture(tradeoff_figure(found), options.out, "tradeoff")
    say("avoidkit sweep: " + found.lines()[0], *(f"  {line}" for line in found.lines()[1:]), written(files), CAUTION)
    return 0


def over_of(text):
    """A field and its values from `FIELD=a,b,c`, or a range from `FIELD=low:high`.

    Examples
    --------
    >>> over_of("decision.clearance_m=0.2:0.4")
    ('decision.clearance_m', (0.2, 0.4))
    """
    name, equals, values = text.partition("=")
    if not equals or not values:
        raise InputError(f"--over: FIELD=VALUES was wanted, got {text!r}")
    low, colon, high = values.partition(":")
    if ":" in high or (colon and "," in values):
        raise InputError(f"--over: values a,b,c or a range LOW:HIGH was wanted, got {text!r}")
    if colon:
        return name.strip(), (_value(low), _value(high))
    return name.strip(), [_value(value) for value in values.split(",")]


def _value(text):
    text = text.strip()
    if text in ("true", "false"):
        return text == "true"
    try:
        number = float(text)
    except ValueError:
        return text
    return int(text) if text.lstrip("+-").isdigit() else number
