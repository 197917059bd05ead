"""The command `avoidkit`: thin, each subcommand calls the package and prints what came out."""

import argparse
import json
import os
import sys
from pathlib import Path

from avoidkit import __version__
from avoidkit.checks import InputError
from avoidkit.places import shipped

CAUTION = (
    "A desk prototype, not evidence of safety: no use on a vehicle without the responsible engineers, "
    "the applicable standards and local law."
)
MISTAKE, INTERRUPTED = 2, 130  # exit codes; 130 is what shells give for Ctrl-C


def main(arguments=None):
    """Run one command line; returns its exit code: 0 done, 2 a mistake in what was handed in, 130 interrupted."""
    options = parser().parse_args(arguments)
    try:
        return options.run(options)
    except InputError as error:
        sys.stderr.write(f"avoidkit {options.command}: {error}\n")
        return MISTAKE
    except KeyboardInterrupt:
        sys.stderr.write(f"\navoidkit {options.command}: interrupted\n")
        return INTERRUPTED
    except BrokenPipeError:  # the reader of our output, such as `head`, has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def parser():
    """The parser of all subcommands."""
    top = argparse.ArgumentParser(
        prog="avoidkit",
        description="Something is in the way of a slowly moving, supervised vehicle: halt and wait, or go round?",
        epilog=CAUTION,
    )
    top.add_argument("--version", action="version", version=f"avoidkit {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for add in (_add_drive, _add_check, _add_demo):
        add(commands)
    return top


def _command(commands, name, run, text):
    command = commands.add_parser(name, help=text, description=text[:1].upper() + text[1:] + ".", epilog=CAUTION)
    command.set_defaults(run=run)
    return command


# ---- drive ----


def _add_drive(commands):
    command = _command(commands, "drive", run_drive, "play the whole loop on a scene and sum up what happened")
    command.add_argument("scene", metavar="SCENE", help="a scene file, or the name of a shipped one")
    command.add_argument("--tuning", metavar="TUNING", default="baseline", help="a tuning file, or a shipped name")
    command.add_argument("--seed", type=int, default=0, metavar="N", help="of every random draw (0)")
    command.add_argument("--duration", type=float, metavar="S", help="seconds to drive instead of the scene's own")
    command.add_argument("--out", metavar="FILE", help="keep the recording in this Parquet file")
    command.add_argument("--force", action="store_true", help="replace FILE if it is there already")
    command.add_argument("--quiet", action="store_true", help="no progress line")


def run_drive(options):
    """Drive, with a progress line on stderr and the summary on stdout."""
    from avoidkit.recording import summary_lines

    if options.seed < 0:
        raise InputError(f"--seed must be at least 0, got {options.seed}")
    scene, tuning = named_scene(options.scene), named_tuning(options.tuning)
    _clear_place(options.out, force=options.force)
    from avoidkit.drive import drive  # the heavy part comes after the mistakes

    progress = None if options.quiet else Progress(sys.stderr)
    recording = drive(
        scene, tuning, seed=options.seed, duration_s=options.duration, out=options.out, progress=progress
    )  # fmt: skip
    if progress is not None:
        progress.end()
    said = [f"avoidkit drive: {scene.name}, tuning {tuning.name} ({tuning.hash}), seed {options.seed}"]
    said += [f"  {line}" for line in summary_lines(recording.summary())]
    if options.out:
        said.append(f"  recording    {options.out}, {os.path.getsize(options.out) / 1e6:.2f} MB")
    _say(*said, CAUTION)
    if recording.ended == "interrupted":
        kept = f"what was driven is in {options.out}" if options.out else "nothing was kept: there was no --out"
        sys.stderr.write(f"avoidkit drive: interrupted after {recording.duration_s:.2f} s; {kept}\n")
        return INTERRUPTED
    return 0


def named_scene(name):
    """A scene by path, or by the name of a shipped one."""
    from avoidkit.scene import load_scene

    return load_scene(_found(name, "scenes"))


def named_tuning(name):
    """A tuning by path, or by the name of a shipped one."""
    from avoidkit.tuning import load_tuning

    return load_tuning(_found(name, "tunings"))


def _found(name, kind):
    path = Path(name)
    if path.exists() or path.suffix or len(path.parts) > 1:
        return path
    folder = shipped(kind)
    if (folder / f"{name}.toml").is_file():
        return folder / f"{name}.toml"
    known = ", ".join(sorted(file.stem for file in folder.glob("*.toml"))) or "none"
    what = kind.removesuffix("s")
    raise InputError(f"{name}: no such file, and no shipped {what} of that name; shipped are: {known}")


def _clear_place(out, *, force):
    """Refuse to write over something unless told to; a left-over `.part` counts as something."""
    for path in (Path(out), Path(f"{out}.part")) if out else ():
        if not path.exists():
            continue
        if not force:
            mend = f"mend it with `avoidkit check --mend {path}`"
            hint = mend if path.suffix == ".part" else "choose another name"
            raise InputError(f"{path}: is there already; {hint}, or say --force to replace it")
        if path.suffix == ".part":
            path.unlink()


class Progress:
    """One line that is written over and over on a terminal; a line every ten seconds of the drive elsewhere."""

    def __init__(self, stream):
        self._stream, self._live = stream, stream.isatty()
        self._next_s, self._every_s = 0.0, 0.5 if self._live else 10.0

    def __call__(self, time_s, duration_s, verdict):
        if time_s + 1e-9 < self._next_s:
            return
        self._next_s = time_s + self._every_s
        line = f"{time_s:7.1f} of {duration_s:.1f} s  {verdict.action!s:<9} cap {verdict.speed_cap_mps:.2f} m/s"
        self._stream.write(f"\r{line}" if self._live else f"{line}\n")
        self._stream.flush()

    def end(self):
        """Leave the line."""
        if self._live:
            self._stream.write("\r" + " " * 60 + "\r")
            self._stream.flush()


# ---- check ----


def _add_check(commands):
    command = _command(commands, "check", run_check, "check scenes, tunings and recordings, or print their make-up")
    command.add_argument("files", nargs="*", metavar="FILE", help="scene or tuning (TOML), recording (Parquet, .part)")
    command.add_argument("--schema", choices=("scene", "tuning"), help="print the JSON schema of such a file")
    command.add_argument("--columns", action="store_true", help="print every column of a recording, with its unit")
    command.add_argument("--mend", action="store_true", help="turn what a killed drive left (.part) into a recording")


def run_check(options):
    """Check each file; every mistake is named, the exit code is 2 if there was one."""
    if options.schema:
        _say(json.dumps(schema_of(options.schema), indent=2))
    if options.columns:
        from avoidkit.recording import description

        _say(description())
    if not options.files and not options.schema and not options.columns:
        raise InputError("name at least one file, or say --schema or --columns; --help shows all")
    mistakes = 0
    for name in options.files:
        try:
            _say(*(mended(name) if options.mend else checked(name)))
        except InputError as error:
            mistakes += 1
            sys.stderr.write(f"avoidkit check: {error}\n")
    return MISTAKE if mistakes else 0


def schema_of(kind):
    """The JSON schema of scene or tuning files."""
    if kind == "tuning":
        from avoidkit.tuning import Tuning as model
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
    from avoidkit.parameters import read_toml
    from avoidkit.scene import Scene
    from avoidkit.tuning import Tuning

    keys = set(read_toml(path))
    as_scene, as_tuning = (len(keys & set(model.model_fields)) for model in (Scene, Tuning))
    if not as_scene and not as_tuning:
        raise InputError(f"{path}: is neither a scene nor a tuning: {_or_none(keys)} of its keys is known")
    return _checked_scene(path) if as_scene > as_tuning else _checked_tuning(path)


def _or_none(keys):
    return f"none ({', '.join(sorted(keys)[:5])})" if keys else "it is empty, none"


def _checked_scene(path):
    from avoidkit.scene import load_scene

    scene = load_scene(path)
    holds = f"{len(scene.people)} people, path of {scene.reference.length_m:.1f} m, {scene.duration_s:g} s"
    return [f"{path}: a scene, {scene.name!r}: {holds}"]


def _checked_tuning(path):
    from avoidkit.tuning import Tuning, load_tuning

    tuning = load_tuning(path)
    changed = [name for name in tuning.differ(Tuning()) if name != "name"]
    against = f"differs from the defaults in {', '.join(changed)}" if changed else "as the defaults"
    return [f"{path}: a tuning, {tuning.name!r} ({tuning.hash}): {against}"]


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
    return [f"{path}: {len(recording)} rows, {recording.duration_s:.2f} s saved from {name}"]


# ---- demo ----


def _add_demo(commands):
    command = _command(commands, "demo", run_demo, "write a recorded drive as one HTML page that plays without network")
    command.add_argument("recording", metavar="RECORDING", help="a recording (Parquet, .part)")
    command.add_argument("--out", metavar="PAGE", help="the page (beside the recording, with the ending .html)")
    command.add_argument("--from", dest="from_s", type=float, metavar="S", help="first second to show")
    command.add_argument("--to", dest="to_s", type=float, metavar="S", help="last second to show")
    command.add_argument("--every", type=int, default=1, metavar="N", help="show every so many cycles (1)")
    command.add_argument("--force", action="store_true", help="replace PAGE if it is there already")


def run_demo(options):
    """Write the page, and say where it is."""
    from avoidkit.recording import load_recording

    if options.every < 1:
        raise InputError(f"--every must be at least 1, got {options.every}")
    page = options.out or str(Path(options.recording).with_suffix(".html"))
    recording = load_recording(options.recording)
    _clear_place(page, force=options.force)
    from avoidkit.views.demo import export_demo  # the heavy part comes after the mistakes

    export_demo(recording, page, from_s=options.from_s, to_s=options.to_s, every=options.every)
    _say(f"{page}: {os.path.getsize(page) / 1e6:.2f} MB, opens in a browser as it is", CAUTION)
    return 0


def _say(*lines):
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    raise SystemExit(main())
