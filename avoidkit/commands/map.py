"""`avoidkit map`: the answer for every place of a person, and where two tunings disagree."""

import math

import numpy as np

from avoidkit.checks import InputError
from avoidkit.commands.shared import CAUTION, add_tuning, as_options, command, least, named_scene, named_tuning, say
from avoidkit.commands.studying import add_study_options, running, write_picture, write_table, written

MOST_STEPS = 10_000  # along one axis
WRITES = ("map.*", "boundary.*", "against.*", "difference.*")
OPTIONS = {
    "heading_deg": "--heading", "speed_mps": "--speed", "along_m": "--along", "vehicle_mps": "--vehicle-speed",
    "watch_s": "--sensed", "refine_m": "--refine", "x_m": "--x", "y_m": "--y",
}  # fmt: skip


def add(commands):
    """The options of this subcommand."""
    examples = ("lane_6m --out lane", "lane_6m --x=0:14:29 --y=-2:2:17 --against slow_brakes --workers 2 --out lane")
    text = "draw the answer for every place of a person, and where two tunings disagree"
    made = command(commands, "map", run_map, text, examples)
    made.add_argument("scene", metavar="SCENE", help="a scene file, or the name of a shipped one")
    add_tuning(made)
    made.add_argument("--against", metavar="TUNING", help="a second tuning: also draw where it answers otherwise")
    made.add_argument("--x", metavar="LOW:HIGH:N", help="N places from LOW to HIGH along x, m, such as --x=-3:15:61")
    made.add_argument("--y", metavar="LOW:HIGH:N", help="the same along y, m, such as --y=-5:5:41")
    made.add_argument(
        "--heading",
        type=float,
        default=0.0,
        metavar="DEG",
        help="where the person walks, degrees from x to the left (0)",
    )
    made.add_argument(
        "--speed", type=float, default=0.0, metavar="M/S", help="how fast the person walks, m/s; 0 stands (0)"
    )
    made.add_argument(
        "--along", type=float, default=0.0, metavar="M", help="how far along its path the vehicle is, m (0)"
    )
    made.add_argument(
        "--vehicle-speed", type=float, default=0.0, metavar="M/S", help="how fast the vehicle goes, m/s (0)"
    )
    made.add_argument(
        "--sensed",
        type=float,
        metavar="S",
        help="by simulated sensors that have watched for S seconds (exact knowledge)",
    )
    made.add_argument("--seed", type=int, default=0, metavar="N", help="seed of the sensors (0)")
    made.add_argument("--refine", type=float, metavar="M", help="also find the boundary between answers to within M, m")
    add_study_options(made)


def run_map(options):
    """One map, or two and their difference."""
    least(options, seed=0)
    scene, tuning = named_scene(options.scene), named_tuning(options.tuning)
    other = named_tuning(options.against) if options.against else None
    given = {
        "x_m": axis_of(options.x, "--x"), "y_m": axis_of(options.y, "--y"), "heading_deg": options.heading,
        "speed_mps": options.speed, "along_m": options.along, "vehicle_mps": options.vehicle_speed,
        "knowledge": "exact" if options.sensed is None else "sensed", "seed": options.seed, "refine_m": options.refine,
    }  # fmt: skip
    given |= {} if options.sensed is None else {"watch_s": options.sensed}
    from avoidkit.studies.verdict_map import difference, verdict_map
    from avoidkit.views.maps import difference_figure, map_figure

    run = running(options, writes=WRITES, kept="map/manifest.json")
    folder = run.pop("folder")
    with as_options(**OPTIONS):
        found = verdict_map(scene, tuning, folder=folder / "map", **given, **run)
    files = write_table(found.frame(), folder, "map") + write_picture(map_figure(found), folder, "map")
    if len(found.boundary):
        files += write_table(found.boundary, folder, "boundary")
    lines = list(found.lines())
    if other is not None:
        with as_options(**OPTIONS):
            second = verdict_map(scene, other, folder=folder / "against", **given, **run)
        both = difference(found, second)
        files += write_table(second.frame(), folder, "against") + write_table(both.table(), folder, "difference")
        files += write_picture(difference_figure(both, names=(tuning.name, other.name)), folder, "difference")
        lines = [f"{tuning.name}: {lines[0]}", f"{other.name}: {second.lines()[0]}", *both.lines()]
    asked = f"{scene.name}, tuning {tuning.name}" + (f" against {other.name}" if other is not None else "")
    say(f"avoidkit map: {asked}", *(f"  {line}" for line in lines), written(files), CAUTION)
    return 0


def axis_of(text, option):
    """An axis from `LOW:HIGH:N`; None where there is no text.

    Examples
    --------
    >>> axis_of("0:2:3", "--x").tolist()
    [0.0, 1.0, 2.0]
    """
    if text is None:
        return None
    try:
        low, high, n = text.split(":")
        low, high, n = float(low), float(high), int(n)
    except ValueError:
        raise InputError(f"{option}: LOW:HIGH:N, such as -2:14:33, was wanted, got {text!r}") from None
    if not 2 <= n <= MOST_STEPS or not -math.inf < low < high < math.inf:
        raise InputError(f"{option}: LOW below HIGH and N from 2 to {MOST_STEPS} were wanted, got {text!r}")
    return np.linspace(low, high, n)
