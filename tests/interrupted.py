"""A script that is interrupted from outside, as by Ctrl-C, once it has said how far it is."""

import signal
import subprocess
import sys
import textwrap

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
