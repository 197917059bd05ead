"""One drive as a task of a study: scene, tuning and changes in, one row out; the recording to a file if wanted."""

from pathlib import Path

from avoidkit.checks import InputError, require_positive
from avoidkit.decision import decide as kit_decide
from avoidkit.drive import drive
from avoidkit.freespace import FreeSpace
from avoidkit.studies.metrics import drive_row
from avoidkit.tracking import Tracker
from avoidkit.tuning import did_you_mean, field_names

LOOPS = ("sensed", "exact")
STAGES = ("decide", "track", "map_space")


def stages_of(functions, suffix=""):
    """The arguments of `drive` from a study's functions by role; the kit's own where there is none."""
    own = {"decide": kit_decide, "track": Tracker, "map_space": FreeSpace}
    return {role: functions.get(f"{role}{suffix}", functions.get(role, own[role])) for role in own}


def drive_task(task, context):
    """Drive as a task says and return its row; `recording` of the task is the file to write, if any."""
    return drive_row(driven(task, context))


def driven(task, context, *, suffix=""):
    """The recording of a task.

    Parameters
    ----------
    task : dict
        `seed`; `changes` to the tuning by dotted name; `recording`, a file or nothing.
    context : Context
        `settings` may hold `duration_s` and `loop`, `sensed` or `exact`.
    """
    from avoidkit.studies.exact import ExactLoop

    tuning = context.tuning.replace(task["changes"]) if task.get("changes") else context.tuning
    loop = ExactLoop if context.settings.get("loop") == "exact" else None
    out = task.get("recording")
    if out:
        Path(out).parent.mkdir(parents=True, exist_ok=True)
    recording = drive(
        context.scene, tuning, seed=task["seed"], duration_s=context.settings.get("duration_s"), out=out, loop=loop,
        **stages_of(context.functions, suffix),
    )  # fmt: skip
    if recording.ended == "interrupted":
        raise KeyboardInterrupt
    return recording


def checked_scenes(scenes):
    """Scenes by name from one scene, several, or a dict; file names and names of shipped ones are loaded.

    Raises
    ------
    InputError
        If there is none, one is missing, or two have one name.
    """
    from avoidkit.scene import Scene

    given = [scenes] if isinstance(scenes, Scene | str | Path) else list(scenes)
    if not given:
        raise InputError("scenes must hold at least one scene, got none")
    found = {}
    for one in given:
        scene = one if isinstance(one, Scene) else _named(one)
        if scene.name in found:
            raise InputError(f"scenes must have different names, got {scene.name!r} twice")
        found[scene.name] = scene
    return found


def _named(name):
    from avoidkit.places import shipped
    from avoidkit.scene import load_scene

    path = Path(name)
    if path.is_file() or path.suffix or len(path.parts) > 1:
        return load_scene(path)
    folder = shipped("scenes")
    if (folder / f"{name}.toml").is_file():
        return load_scene(folder / f"{name}.toml")
    known = sorted(file.stem for file in folder.glob("*.toml"))
    raise InputError(f"scenes: no file and no shipped scene {str(name)!r}{did_you_mean(name, known)}")


def checked_seeds(seeds):
    """Seeds as a list of integers; `InputError` where one comes twice, is no integer or below 0, or there is none."""
    found = list(range(seeds)) if isinstance(seeds, int) and not isinstance(seeds, bool) else list(seeds)
    if not found:
        raise InputError("seeds must hold at least one seed, got none")
    for seed in found:
        if isinstance(seed, bool) or int(seed) != seed or seed < 0:
            raise InputError(f"seeds must be integers of at least 0, got {seed!r}")
    found = [int(seed) for seed in found]
    met = set()
    twice = next((seed for seed in found if seed in met or met.add(seed)), None)
    if twice is not None:
        raise InputError(f"seeds must be different, got {twice} twice")
    return found


def checked_duration(duration_s):
    """Raise `InputError` unless a duration is None (the scene's own) or above 0 s."""
    if duration_s is not None:
        require_positive(duration_s=duration_s)


def checked_names(names, tuning):
    """Raise `InputError`, with the nearest known name, unless all dotted names are single fields of the tuning."""
    known = field_names(tuning)
    for name in names:
        inside = next((field for field in known if field.startswith(f"{name}.")), None)
        if inside is not None:
            raise InputError(f"over: {name} is a section: a field of it, such as {inside}, was wanted")
        if name not in known:
            raise InputError(f"over: tuning has no field {name!r}{did_you_mean(name, known)}")


def checked_functions(**given):
    """The user's functions by role, those that are None left out; `InputError` where one cannot be called."""
    for role, function in given.items():
        if function is not None and not callable(function):
            raise InputError(f"{role} must be a function, got {function!r}")
    return {role: function for role, function in given.items() if function is not None}


def in_words(rows):
    """Which scenes and seeds the drives of a table have, in words.

    Examples
    --------
    >>> import pandas as pd
    >>> in_words(pd.DataFrame({"scene": ["lane_6m"] * 4, "seed": [0, 1, 2, 7]}))
    '1 scene, 4 seeds (0-2, 7)'
    """
    scenes, seeds = rows["scene"].nunique(), sorted({int(seed) for seed in rows["seed"]})
    runs = []
    for seed in seeds:
        runs = [*runs[:-1], (runs[-1][0], seed)] if runs and seed == runs[-1][1] + 1 else [*runs, (seed, seed)]
    shown = ", ".join(f"{low}" if low == high else f"{low}-{high}" for low, high in runs[:6])
    return f"{count(scenes, 'scene')}, {count(len(seeds), 'seed')} ({shown}{', ...' if len(runs) > 6 else ''})"


def count(n, word):
    """A number of things.

    Examples
    --------
    >>> count(1, "seed"), count(3, "seed")
    ('1 seed', '3 seeds')
    """
    return f"{n} {word}{'' if n == 1 else 's'}"
