"""What the subcommands share: naming scenes and tunings, keeping files, saying how far it is, exit codes."""

import os
import sys
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.places import shipped

CAUTION = (
    "A desk prototype, not evidence of safety: no use on a vehicle without the responsible engineers, "
    "the applicable standards and local law."
)
MISTAKE, INTERRUPTED = 2, 130  # exit codes; 130 is what shells give for Ctrl-C


def command(commands, name, run, text):
    """A subcommand's parser, with the cautions under its help."""
    made = commands.add_parser(name, help=text, description=text[:1].upper() + text[1:] + ".", epilog=CAUTION)
    made.set_defaults(run=run)
    return made


def named_scene(name):
    """A scene by path, or by the name of a shipped one."""
    from avoidkit.scene import load_scene

    return load_scene(found(name, "scenes"))


def named_tuning(name):
    """A tuning by path, or by the name of a shipped one."""
    from avoidkit.tuning import load_tuning

    return load_tuning(found(name, "tunings"))


def found(name, kind):
    path = Path(name)
    if path.exists() or path.suffix or len(path.parts) > 1:
        return path
    folder = shipped(kind)
    if (folder / f"{name}.toml").is_file():
        return folder / f"{name}.toml"
    from avoidkit.tuning import did_you_mean

    known = sorted(file.stem for file in folder.glob("*.toml"))
    what, near, listed = kind.removesuffix("s"), did_you_mean(name, known), ", ".join(known) or "none"
    raise InputError(f"{name}: no such file, and no shipped {what} of that name{near}; shipped are: {listed}")


def clear_place(out, *, force):
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


def write_bytes(path, data):
    """Write a file whole or not at all: under a temporary name first, then renamed."""
    path = Path(path)
    part = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        part.write_bytes(data)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(f"{path}: cannot be written: {error.strerror}") from None


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


def say(*lines):
    """Print lines to stdout."""
    sys.stdout.write("\n".join(lines) + "\n")
