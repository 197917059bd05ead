"""The command `avoidkit`: thin, each subcommand calls the package and prints what came out."""

import argparse
import os
import signal
import sys
from importlib import import_module

from avoidkit import __version__
from avoidkit.checks import InputError
from avoidkit.commands import ORDER
from avoidkit.commands.shared import CAUTION, INTERRUPTED, MISTAKE


def main(arguments=None):
    """Run one command line; returns its exit code: 0 done, 2 a mistake in what was handed in, 130 interrupted."""
    options = parser().parse_args(arguments)
    try:
        return options.run(options)
    except InputError as error:
        sys.stderr.write(f"avoidkit {options.command}: {error}\n")
        return MISTAKE
    except KeyboardInterrupt as stop:  # a study says what it keeps
        if arguments is None:
            signal.signal(signal.SIGINT, signal.SIG_IGN)  # this process is ending; a second Ctrl-C would only add noise
        stopped = getattr(options, "stopped", lambda options: "interrupted")
        said = str(stop).removeprefix(f"{options.command}: ") or stopped(options)
        sys.stderr.write(f"\navoidkit {options.command}: {said}\n")
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
    for name in ORDER:
        import_module(f"avoidkit.commands.{name}").add(commands)
    return top


if __name__ == "__main__":
    raise SystemExit(main())
