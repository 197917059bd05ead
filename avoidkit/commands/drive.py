"""`avoidkit drive`: play the whole loop on a scene and sum up what happened."""

import os
import sys
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.commands.shared import (
    CAUTION,
    INTERRUPTED,
    Progress,
    add_tuning,
    clear_place,
    command,
    drivable,
    least,
    named_scene,
    named_tuning,
    say,
    write_bytes,
)
from avoidkit.jit import say_while_compiling


def add(commands):
    """The options of this subcommand."""
    examples = ("guest_crosses --seed 1 --out run.parquet", "my_scene.toml --tuning slow_brakes --diagnose tracks.png")
    text = "play the whole loop on a scene and sum up what happened"
    made = command(commands, "drive", run_drive, text, examples)
    made.add_argument("scene", metavar="SCENE", help="a scene file, or the name of a shipped one")
    add_tuning(made)
    made.add_argument("--seed", type=int, default=0, metavar="N", help="seed of every random draw (0)")
    made.add_argument("--duration", type=float, metavar="S", help="seconds to drive, at most 3600 (as the scene says)")
    made.add_argument(
        "--exact", action="store_true",
        help="with perfect knowledge in place of sensors, tracker and grid, as `stress` does: the decision alone",
    )  # fmt: skip
    made.add_argument("--out", metavar="RUN", help="keep the recording in this file (*.parquet)")
    made.add_argument(
        "--diagnose", nargs="?", const="", metavar="PNG", help="say how good the tracks are; draw it into this file"
    )
    made.add_argument("--force", action="store_true", help="replace files that are there already")
    made.add_argument("--quiet", action="store_true", help="no progress line")


def run_drive(options):
    """Drive, with a progress line on stderr and the summary on stdout."""
    from avoidkit.recording import summary_lines

    least(options, seed=0)
    drivable(options)
    scene, tuning = named_scene(options.scene), named_tuning(options.tuning)
    clear_place(options.out, force=options.force, ending=".parquet")
    clear_picture(options.diagnose, force=options.force)
    if options.exact and options.diagnose is not None:
        raise InputError("--diagnose says how good tracks are; with --exact there are none but the truth")
    from avoidkit.drive import Loop, drive  # the heavy part comes after the mistakes
    from avoidkit.studies.exact import ExactLoop

    progress, stop_saying = None if options.quiet else Progress(sys.stderr), say_while_compiling(sys.stderr)
    try:
        recording = drive(
            scene, tuning, seed=options.seed, duration_s=options.duration, out=options.out, progress=progress,
            loop=ExactLoop if options.exact else Loop,
        )  # fmt: skip
    finally:
        stop_saying()
    if progress is not None:
        progress.end()
    by = ", exact knowledge" if options.exact else ""
    said = [f"avoidkit drive: {scene.name}, tuning {tuning.name} ({tuning.hash}), seed {options.seed}{by}"]
    said += [f"  {line}" for line in summary_lines(recording.summary())]
    if options.out:
        said.append(f"  recording    {options.out}, {os.path.getsize(options.out) / 1e6:.2f} MB")
    if options.diagnose is not None:
        said += diagnosed(recording, options.diagnose)
    say(*said, CAUTION)
    if recording.ended == "interrupted":
        kept = f"what was driven is in {options.out}" if options.out else "nothing was kept: there was no --out"
        sys.stderr.write(f"avoidkit drive: interrupted after {recording.duration_s:.2f} s; {kept}\n")
        return INTERRUPTED
    return 0


def clear_picture(picture, *, force):
    """Refuse a picture that is there already, that is no PNG, or whose folder is missing, before anything is driven."""
    if not picture:
        return
    if Path(picture).suffix.lower() != ".png":
        raise InputError(f"{picture}: --diagnose draws a PNG, so its name must end with .png")
    clear_place(picture, force=force)


def diagnosed(recording, picture):
    """How good the tracks were, as lines; drawn into a file where one is named."""
    from avoidkit.studies.diagnosed import diagnosis_lines, diagnosis_of

    found = diagnosis_of(recording)
    lines = [f"  {line}" for line in diagnosis_lines(found)]
    if not picture:
        return lines
    from avoidkit.views.diagnosed import diagnosis_png

    write_bytes(picture, diagnosis_png(found, dpi=90))
    return [*lines, f"  picture      {picture}, {os.path.getsize(picture) / 1e6:.2f} MB"]
