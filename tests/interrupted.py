"""A script or a command that is interrupted from outside, as by Ctrl-C, once it has said how far it is."""

import fcntl
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import textwrap
import time
from pathlib import Path

# a shell that runs the tests in the background has them ignore SIGINT
HEARS = "import signal\n\nsignal.signal(signal.SIGINT, signal.default_int_handler)\n"


def interrupted_after(script, text, word, folder, *, longest_s):
    """Write and start a script, send SIGINT once it prints `word` on a line of its own; (return code, what it said)."""
    script.write_text(HEARS + textwrap.dedent(text), encoding="utf-8")
    running = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True, cwd=folder)
    for line in running.stdout:
        if line.strip() == word:
            running.send_signal(signal.SIGINT)
            break
    said, _ = running.communicate(timeout=longest_s)
    return running.returncode, said


def at_a_terminal(arguments, folder, *, stop=None, longest_s=300.0):
    """Run `avoidkit ARGUMENTS` at a terminal of its own and press Ctrl-C once `stop(what it said)` holds.

    The key goes to the terminal, as from a keyboard, so every process of the group gets the signal. Returns
    (exit code, what was on the terminal).
    """
    master, slave = pty.openpty()

    def as_a_shell_would():
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        fcntl.ioctl(slave, termios.TIOCSCTTY, 0)

    command = [sys.executable, "-m", "avoidkit.cli", *map(str, arguments)]
    ends = {"stdin": slave, "stdout": slave, "stderr": slave}
    ends |= {
        "env": {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}
    }  # this clone, whatever is installed
    running = subprocess.Popen(command, cwd=folder, start_new_session=True, preexec_fn=as_a_shell_would, **ends)
    os.close(slave)
    said, until = "", time.monotonic() + longest_s
    try:
        while time.monotonic() < until and (new := _read(master, running)) is not None:
            said += new
            if stop is not None and stop(said):
                os.write(master, b"\x03")
                stop = None
        return running.wait(timeout=10.0), said
    finally:
        running.kill()
        os.close(master)


def _read(master, running):
    """What came within half a second; None once nobody can write any more."""
    ready, _, _ = select.select([master], [], [], 0.5)
    if not ready:
        return "" if running.poll() is None else None
    try:
        return os.read(master, 65536).decode("utf-8", errors="replace") or None
    except OSError:  # the other end was closed
        return None
