"""`avoidkit stress`: look for the walk that comes nearest to a contact while the vehicle moves."""

from avoidkit.checks import InputError
from avoidkit.commands.shared import CAUTION, add_tuning, as_options, command, least, named_scene, named_tuning, say
from avoidkit.commands.studying import add_study_options, named_once, running, write_picture, write_table, written

WRITES = ("trials.*", "stress.*", "worst-*.toml", "worst-*.parquet")


def add(commands):
    """The options of this subcommand."""
    examples = ("lane_6m --budget 200 --workers 2 --out worst", "lane_6m --also latency_s=0.1:0.5 --out worst")
    text = "look for the walk that comes nearest to a contact while moving"
    made = command(commands, "stress", run_stress, text, examples)
    made.add_argument("scene", metavar="SCENE", help="a scene file, or the name of a shipped one")
    add_tuning(made)
    made.add_argument(
        "--budget", type=int, default=200, metavar="N", help="drives that the search may make, at least 40 (200)"
    )
    made.add_argument("--seed", type=int, default=0, metavar="N", help="seed of the search and of the sensors (0)")
    made.add_argument(
        "--also", action="append", default=[], metavar="WHAT=LOW:HIGH",
        help="vary this as well: a field of the true vehicle (latency_s) or a fault ('front_left late')",
    )  # fmt: skip
    made.add_argument(
        "--sensed", action="store_true", help="with sensors, tracker and grid in place of perfect knowledge: slower"
    )
    made.add_argument("--no-random", action="store_true", help="leave out the random search beside it")
    add_study_options(made)


def run_stress(options):
    """Search; worst walks as scenes with their drives, table and picture into the folder."""
    least(options, seed=0)
    scene, tuning = named_scene(options.scene), named_tuning(options.tuning)
    also = named_once([_range(text) for text in options.also], "--also")
    _require_known(also)
    from avoidkit.studies.stress import stress

    run = running(options, writes=WRITES, kept="generation-*/manifest.json")
    with as_options(budget="--budget", also="--also"):
        found = stress(
            scene, tuning, budget=options.budget, seed=options.seed, also=also, beside_random=not options.no_random,
            loop="sensed" if options.sensed else "exact", **run,
        )  # fmt: skip
    from avoidkit.views.stressed import stress_figure

    files = write_table(found.trials, options.out, "trials") + found.save(options.out)
    files += write_picture(stress_figure(found), options.out, "stress")
    said = [f"  {line}" for line in found.lines()]
    exact, which = "" if options.sensed else " --exact", f"--tuning {options.tuning} --seed {options.seed}"
    said += [f"  once more     avoidkit drive {options.out}/worst-1.toml {which}{exact}"] if found.scenes else []
    say(f"avoidkit stress: {scene.name}, tuning {tuning.name}, seed {options.seed}", *said, written(files), CAUTION)
    return 0


def _require_known(also):
    """Raise `InputError`, with the fields there are, unless each name without a blank is a field of the vehicle."""
    from avoidkit.tuning import VehicleTuning, did_you_mean

    known = VehicleTuning.model_fields
    for name in also:
        if " " not in name and name not in known:
            wanted = f"one of {', '.join(known)}, or a sensor and a kind of fault such as 'front_left late', was wanted"
            raise InputError(f"--also: {wanted}, got {name!r}{did_you_mean(name, known)}")


def _range(text):
    name, equals, values = text.partition("=")
    try:
        low, high = (float(value) for value in values.split(":"))
    except ValueError:
        raise InputError(f"--also: WHAT=LOW:HIGH was wanted, got {text!r}") from None
    if not equals:
        raise InputError(f"--also: WHAT=LOW:HIGH was wanted, got {text!r}")
    return name.strip(), (low, high)
