"""What the subcommands share: naming scenes and tunings, keeping files, saying how far it is, exit codes."""

import argparse
import os
import re
import sys
import textwrap
from contextlib import contextmanager
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.places import shipped

CAUTION = (
    "A desk prototype, not evidence of safety: no use on a vehicle without the responsible engineers, "
    "the applicable standards and local law."
)
LONGEST_S = 3600.0  # that a drive may last, as in a scene file
MISTAKE, INTERRUPTED = 2, 130  # exit codes; 130 is what shells give for Ctrl-C


def command(commands, name, run, text, examples=()):
    """A subcommand's parser, with examples and the cautions under its help."""
    shown = "\n".join(f"  avoidkit {name} {example}" for example in examples)
    epilog = f"examples:\n{shown}\n\n{textwrap.fill(CAUTION, 78)}" if examples else textwrap.fill(CAUTION, 78)
    made = commands.add_parser(
        name, help=text, description=text[:1].upper() + text[1:] + ".", epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    made.set_defaults(run=run)
    return made


def add_tuning(made, word="TUNING", *, default="baseline", required=False):
    """The option that names a tuning."""
    shown = "required" if required else (default or "that of each recording")
    made.add_argument(
        "--tuning", metavar=word, default=default, required=required, help=f"a tuning file, or a shipped name ({shown})"
    )


def add_workers(made):
    """The option that says how many processes work."""
    made.add_argument("--workers", type=int, default=1, metavar="N", help="processes to use (1)")


def add_start(made):
    """The option that says from which records of a recording to begin."""
    made.add_argument(
        "--start", choices=("returns", "tracks", "situations"), default="returns",
        help="what to begin with: tracker and grid work again, only the grid, or neither (returns)",
    )  # fmt: skip


def least(options, **bounds):
    """Refuse numbers below their bounds: `least(options, workers=1)`.

    Examples
    --------
    >>> least(argparse.Namespace(workers=0), workers=1)
    Traceback (most recent call last):
    avoidkit.checks.InputError: --workers must be at least 1, got 0
    """
    for name, bound in bounds.items():
        value = getattr(options, name)
        if value is not None and not value >= bound:
            raise InputError(f"--{name.replace('_', '-')} must be at least {bound}, got {value}")


def drivable(options):
    """Raise `InputError` unless `--duration`, where it was said, is above 0 and no longer than a scene file may ask."""
    if options.duration is not None and not 0.0 < options.duration <= LONGEST_S:
        raise InputError(f"--duration must be above 0 and at most {LONGEST_S:g} s, got {options.duration:g}")


@contextmanager
def as_options(**options):
    """Let messages about arguments of Python name the options of the command instead; `None`, not said, is left out.

    Examples
    --------
    >>> with as_options(from_s="--from", to_s="--to"):
    ...     raise InputError("from_s 9.0, to_s None: no recorded row lies between")
    Traceback (most recent call last):
    avoidkit.checks.InputError: --from 9.0: no recorded row lies between
    """
    try:
        yield
    except InputError as error:
        said = str(error)
        if type(error) is not InputError or said.startswith("--"):
            raise
        begins = re.match(r"\w*", said)[0] in options  # short words such as n count only where one begins the message
        for name, option in options.items():
            if begins or "_" in name:
                said = re.sub(rf"\b{name} None, |, {name} None\b", "", said)
                said = re.sub(rf"(?<![\w.'/-]){name}(?![\w.'/])", option, said)
        raise InputError(said) from None


def counted(n, kind):
    """A number of things, from the word for many of them.

    Examples
    --------
    >>> counted(1, "mappings"), counted(1, "people"), counted(2, "scenes"), counted(1, "published")
    ('1 mapping', '1 person', '2 scenes', '1 published')
    """
    return f"{n} {({'people': 'person'}.get(kind) or kind.removesuffix('s')) if n == 1 else kind}"


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


def clear_place(out, *, force, ending=""):
    """Refuse, before anything is computed, a file that cannot be written, and to write over one unless told to.

    A left-over `.part` counts as something; `ending` is what the name must end with.
    """
    if out and Path(out).suffix.lower() != (ending or Path(out).suffix.lower()):
        raise InputError(f"{out}: a name that ends with {ending} was wanted")
    if out and Path(out).is_dir():
        raise InputError(f"{out}: is a folder, a file was wanted")
    if out and not Path(out).absolute().parent.is_dir():
        raise InputError(f"{out}: there is no folder {Path(out).parent}")
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
