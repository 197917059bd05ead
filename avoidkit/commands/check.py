"""`avoidkit check`: check scenes, tunings and recordings, or print their make-up."""

import json
import sys
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.commands.shared import CAUTION, MISTAKE, command, counted, say


def add(commands):
    """The options of this subcommand."""
    examples = ("my_scene.toml run.parquet", "--mend run.parquet.part", "--schema tuning")
    text = "check scenes, tunings, mappings and recordings, or print their make-up"
    made = command(commands, "check", run_check, text, examples)
    made.add_argument(
        "files", nargs="*", metavar="FILE", help="scenes, tunings, mappings (TOML), recordings (Parquet, .part)"
    )
    made.add_argument("--schema", choices=("scene", "tuning", "mapping"), help="print the JSON schema of such a file")
    made.add_argument("--columns", action="store_true", help="print every column of a recording, with its unit")
    made.add_argument(
        "--mend", action="store_true", help="turn what a killed drive left (*.parquet.part) into a recording"
    )


def run_check(options):
    """Check each file; every mistake is named, the exit code is 2 if there was one."""
    if options.schema:
        say(json.dumps(schema_of(options.schema), indent=2))
    if options.columns:
        from avoidkit.recording import description

        say(description())
    if not options.files and not options.schema and not options.columns:
        raise InputError("name at least one file, or say --schema or --columns; --help shows all")
    mistakes = 0
    for name in options.files:
        try:
            say(*(mended(name) if options.mend else checked(name)))
        except InputError as error:
            mistakes += 1
            sys.stderr.write(f"avoidkit check: {error}\n")
    return MISTAKE if mistakes else 0


def schema_of(kind):
    """The JSON schema of scene, tuning or mapping files."""
    if kind == "tuning":
        from avoidkit.tuning import Tuning as model
    elif kind == "mapping":
        from avoidkit.logs.mapping import Mapping as model
    else:
        from avoidkit.scene import Scene as model
    return model.model_json_schema()


def checked(name):
    """What a file is, told by its content, as lines; `InputError` says what is wrong with it."""
    path = Path(name)
    if path.suffix in (".parquet", ".part") or _first_bytes(path) in (b"PAR1", b"\xff\xff\xff\xff"):
        return _checked_recording(path)
    return _checked_toml(path)


def _first_bytes(path):
    if not path.is_file():
        return b""
    with open(path, "rb") as file:
        return file.read(4)


def _checked_toml(path):
    from avoidkit.logs.mapping import Mapping
    from avoidkit.parameters import read_toml
    from avoidkit.scene import Scene
    from avoidkit.tuning import Tuning

    keys = set(read_toml(path))
    as_scene, as_tuning, as_mapping = (len(keys & set(model.model_fields)) for model in (Scene, Tuning, Mapping))
    if not as_scene and not as_tuning and not as_mapping:
        raise InputError(
            f"{path}: is neither a scene nor a tuning nor a mapping: {_or_none(keys)} of its keys is known"
        )
    if as_mapping > max(as_scene, as_tuning):
        return _checked_mapping(path)
    return _checked_scene(path) if as_scene > as_tuning else _checked_tuning(path)


def _or_none(keys):
    return f"none ({', '.join(sorted(keys)[:5])})" if keys else "it is empty, none"


def _checked_scene(path):
    from avoidkit.scene import load_scene

    scene = load_scene(path)
    holds = f"{counted(len(scene.people), 'people')}, path of {scene.reference.length_m:.1f} m, {scene.duration_s:g} s"
    return [f"{path}: a scene, {scene.name!r}: {holds}"]


def _checked_tuning(path):
    from avoidkit.tuning import Tuning, load_tuning

    tuning = load_tuning(path)
    changed = [name for name in tuning.differ(Tuning()) if name != "name"]
    against = f"differs from the defaults in {', '.join(changed)}" if changed else "as the defaults"
    return [f"{path}: a tuning, {tuning.name!r} ({tuning.hash}): {against}"]


def _checked_mapping(path):
    from avoidkit.logs import load_mapping

    mapping = load_mapping(path)
    assumed = f"; ASSUMED, NOT MEASURED: {'; '.join(mapping.assumed)}" if mapping.assumed else ""
    return [f"{path}: a mapping of {mapping.format} logs, {mapping.name!r}{assumed}"]


def _checked_recording(path):
    from avoidkit.recording import load_recording, summary_lines

    recording = load_recording(path)
    made_by = ", ".join(f"{name} {version}" for name, version in recording.versions.items())
    shaped_by = f"tuning {recording.tuning.name!r} ({recording.tuning.hash}), seed {recording.seed}"
    lines = [f"{path}: a recording of {recording.scene.name!r}, {shaped_by}"]
    lines += [f"  {line}" for line in summary_lines(recording.summary())]
    lines += [f"  NOTE         {note}" for note in recording.notes]
    return [*lines, f"  made by      {made_by}", f"  rows         {len(recording)}, each readable", CAUTION]


def mended(name):
    """Turn a left-over stream into a recording; what was done, as lines."""
    from avoidkit.recording import load_recording, mend

    path = mend(name)
    recording = load_recording(path)
    return [f"{path}: {counted(len(recording), 'rows')}, {recording.duration_s:.2f} s saved from {name}"]
