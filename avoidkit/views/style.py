"""One look for every figure: colours, signs and type sizes; put on by a context manager, never globally.

Colours are the set of Okabe and Ito (published for colour-blind readers, jfly.uni-koeln.de/color). No
meaning hangs on colour alone: each action has a letter in a shape of its own, a line style and a hatch.
"""

from contextlib import contextmanager
from dataclasses import dataclass

import matplotlib as mpl

from avoidkit.verdict import Action

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
YELLOW, BLUE, VERMILLION, PURPLE = "#F0E442", "#0072B2", "#D55E00", "#CC79A7"

INK = "#1d2329"  # lines and letters
SOFT = "#5c6670"  # what should stay in the background; 5.9:1 on white
PAPER = "#ffffff"
UNSEEN, UNSEEN_STRIPE, TAKEN = "#cdd2d6", "#dfe3e6", "#3f474e"  # grid: unknown (striped), occupied

LOOK = {
    "font.family": "DejaVu Sans",
    "font.size": 14,
    "axes.titlesize": 17,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 12,
    "axes.labelsize": 14,
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT,
    "axes.linewidth": 1.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.prop_cycle": mpl.cycler(color=[BLUE, VERMILLION, GREEN, ORANGE, PURPLE, SKY, BLACK]),
    "grid.color": "#d9dde1",
    "grid.linewidth": 0.7,
    "xtick.labelsize": 13,
    "ytick.labelsize": 13,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "lines.linewidth": 2.4,
    "legend.fontsize": 13,
    "legend.frameon": False,
    "hatch.linewidth": 1.0,
    "hatch.color": INK,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "savefig.dpi": 110,
    "svg.hashsalt": "avoidkit",
}


@dataclass(frozen=True, slots=True)
class Sign:
    """How one action looks: letter in a marker shape, colour with the ink to write on it, line style, hatch."""

    letter: str
    marker: object
    color: str
    ink: str
    line: object
    hatch: str
    word: str


SIGNS = {
    Action.CONTINUE: Sign("C", "o", BLUE, PAPER, "-", "", "continue"),
    Action.DETOUR: Sign("D", "D", GREEN, BLACK, (0, (6, 2)), "//", "go round"),
    Action.HALT: Sign("H", "8", VERMILLION, BLACK, (0, (1.2, 1.2)), "xx", "halt"),
    Action.WAIT: Sign("W", "s", ORANGE, BLACK, (0, (4, 1.5, 1, 1.5)), "..", "wait for operator"),
}


@contextmanager
def look(**changes):
    """Draw inside this to get the kit's look; the settings outside are as before when it ends.

    But for whether figures show themselves: the first figure of a notebook switches that on, wherever it is made.

    Examples
    --------
    >>> before = mpl.rcParams["font.size"]
    >>> with look():
    ...     mpl.rcParams["font.size"]
    14.0
    >>> mpl.rcParams["font.size"] == before
    True
    """
    shows_itself = mpl.rcParams["interactive"]
    try:
        with mpl.rc_context(LOOK | changes):
            try:
                yield
            finally:
                shows_itself = mpl.rcParams["interactive"]
    finally:
        mpl.rcParams["interactive"] = shows_itself


def new_figure(width_in=11.0, height_in=7.0, **changes):
    """An empty figure with the kit's look on its own canvas, outside pyplot: safe beside a running cell."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with look(**changes):
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        FigureCanvasAgg(figure)
    return figure


def png(figure, dpi=100):
    """The figure as PNG bytes."""
    import io

    buffer = io.BytesIO()
    with look():
        figure.savefig(buffer, format="png", dpi=dpi)
    return buffer.getvalue()
