"""`avoidkit demo`: write a recorded drive, or two side by side, as one HTML page that plays without network."""

import math
import os
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.commands.shared import CAUTION, as_options, clear_place, command, least, say


def add(commands):
    """The options of this subcommand."""
    examples = ("run.parquet --gif run.gif", "a.parquet b.parquet --out pair.html", "--review runs/*.parquet")
    text = "write a recorded drive, or two, as one HTML page that plays without network"
    made = command(commands, "demo", run_demo, text, examples)
    runs = "a recording (Parquet, .part), or two; with --review any number"
    made.add_argument("recording", metavar="RUN", nargs="+", help=runs)
    made.add_argument("--out", metavar="PAGE", help="the page (beside the first recording, ending .html)")
    made.add_argument("--gif", metavar="GIF", help="ten seconds as an animated GIF as well, for slides")
    made.add_argument("--from", dest="from_s", type=float, metavar="S", help="first second to show (the drive's first)")
    made.add_argument("--to", dest="to_s", type=float, metavar="S", help="last second to show (the drive's last)")
    made.add_argument("--every", type=int, default=1, metavar="N", help="show one cycle in N (1)")
    made.add_argument("--review", action="store_true", help="write one page for a review of all the recordings")
    made.add_argument("--question", metavar="TEXT", help="what the review is to answer; with --review")
    made.add_argument("--force", action="store_true", help="replace files that are there already")


def run_demo(options):
    """Write the page, and say where it is."""
    from avoidkit.recording import load_recording

    least(options, every=1)
    for option, value in (("--from", options.from_s), ("--to", options.to_s)):
        if value is not None and not math.isfinite(value):
            raise InputError(f"{option} must be a finite number of seconds, got {value}")
    if options.review:
        return run_review(options)
    if options.question:
        raise InputError("--question belongs to --review")
    if len(options.recording) > 2:
        raise InputError(f"one or two recordings were wanted, got {len(options.recording)}")
    page = options.out or str(Path(options.recording[0]).with_suffix(".html"))
    clear_place(page, force=options.force, ending=".html")
    clear_place(options.gif, force=options.force, ending=".gif")
    recordings = [load_recording(path) for path in options.recording]
    from avoidkit.views.demo import export_demo  # the heavy part comes after the mistakes

    with as_options(from_s="--from", to_s="--to"):
        export_demo(recordings, page, from_s=options.from_s, to_s=options.to_s, every=options.every)
    lines = [f"{page}: {os.path.getsize(page) / 1e6:.2f} MB, opens in a browser as it is"]
    if options.gif:
        from avoidkit.views.gif import export_gif

        with as_options(from_s="--from", to_s="--to"):
            export_gif(recordings[0], options.gif, from_s=options.from_s, to_s=options.to_s)
        lines.append(f"{options.gif}: {os.path.getsize(options.gif) / 1e6:.2f} MB")
    say(*lines, CAUTION)
    return 0


def run_review(options):
    """Write the page of a review, and say where it is."""
    from avoidkit.recording import load_recording

    unused = [name for name in ("gif", "from_s", "to_s") if getattr(options, name) is not None]
    if unused:
        raise InputError(f"--{unused[0].removesuffix('_s')} does not go with --review, which picks its moments itself")
    from avoidkit.studies.telling import require_different
    from avoidkit.views.review import QUESTION, default_page, review

    page = options.out or default_page(options.recording)
    clear_place(page, force=options.force, ending=".html")
    recordings = [load_recording(path) for path in options.recording]
    require_different(recordings, options.recording)
    review(recordings, page, question=options.question or QUESTION)
    n = len(recordings)
    of = f"a review of {n} recording{'s' if n > 1 else ''}"
    say(f"{page}: {of}, {os.path.getsize(page) / 1e6:.2f} MB, opens in a browser as it is", CAUTION)
    return 0
