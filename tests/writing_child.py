"""A process that records rows until it is killed, saying after each row which one it has taken in."""

import sys
import time

from avoidkit.recording import Recorder
from avoidkit.tuning import Tuning
from tests.made_rows import made_checkpoint, made_rows, made_scene


def main(path, seed):
    scene = made_scene()
    rows = made_rows(800, seed=int(seed), scene=scene)
    recorder = Recorder(path, scene, Tuning(), int(seed))
    for i, row in enumerate(rows):
        recorder.add(row, [scene.reference], made_checkpoint(i) if recorder.wants_checkpoint(row.time_s) else None)
        sys.stdout.write(f"{row.time_s!r}\n")
        sys.stdout.flush()
        time.sleep(0.002)


if __name__ == "__main__":
    main(*sys.argv[1:])
