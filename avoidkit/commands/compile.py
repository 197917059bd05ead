"""`avoidkit compile`: compile the kit's loops now, so that the first drive need not wait."""

from avoidkit.commands.shared import command, least, say
from avoidkit.jit import jit_enabled


def add(commands):
    """The options of this subcommand."""
    text = "compile the kit's loops now, once after an installation, so that no first drive waits"
    made = command(commands, "compile", run_compile, text, ("", "--workers 1"))
    made.add_argument("--workers", type=int, default=None, metavar="N", help="processes; default: one a processor")


def run_compile(options):
    """Compile on several processes, and say how long it took and whether anything is left."""
    from avoidkit.studies.compiling import compile_all

    if options.workers is not None:
        least(options, workers=1)
    if not jit_enabled():
        say("AVOIDKIT_JIT=0: loops are run as written, there is nothing to compile")
        return 0
    say("compiling the loops, once after an installation; half a minute on two processors")
    done = compile_all(options.workers, tell=lambda name, s: say(f"  {name}: {s:.0f} s"))
    said = f"done in {done.took_s:.0f} s on {done.workers} process" + ("es" if done.workers > 1 else "")
    kept = "drives and maps start at once from now on"
    left = "a drive still has to compile: can the folder for what is compiled be written (NUMBA_CACHE_DIR names one)?"
    say(f"{said}; {left if done.left else kept}")
    return 0
