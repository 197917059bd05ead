"""Somebody stands at each place of a lattice, in an open yard and in a 6 m lane, seen by simulated radars for a minute.

`standing_lattice` asks the same by exact knowledge, every 0.5 m along the way instead of every metre.
"""

import numpy as np

from avoidkit.drive import Loop
from tests.evidence.studies._drives import tuning_named
from tests.evidence.studies._lattice import YARDS, across, goes, row_of

ABOUT = "a standing person on a lattice, simulated radars: goes round where the oracle can with 0.30 m to spare"


def tasks():
    xs = [float(x) for x in np.arange(5.0, 15.01, 1.0)]
    return [
        {"yard": yard, "x_m": x, "y_m": ys}
        for yard in YARDS
        for x in xs
        for ys in (across(yard)[::2], across(yard)[1::2])
    ]


def run(task):
    return row_of(task, tuning_named("baseline"), Loop, until_halted=False)


def conclude(frame):
    out = {}
    for yard, rows in frame.groupby("yard"):
        out |= goes(rows, f"{yard}, simulated radars")
    return out | goes(frame, "both, simulated radars")
