"""A few seconds of a recorded drive as an animated GIF, for slides."""

import io

import numpy as np

from avoidkit.checks import InputError
from avoidkit.recording.summary import CAUTION
from avoidkit.views import figures, style
from avoidkit.views.answers import grid_shown, reach_discs

GIF_S = 10.0
PER_S = 5
COLORS = 64
SHADES = ("#bfd8ea", "#c5e6dc", "#f5d2ba", "#f8e3b8", "#ecd2e0")  # swept areas and reach, as light as they are drawn
OWN = (*(sign.color for sign in style.SIGNS.values()), style.PURPLE, style.YELLOW, style.INK, style.PAPER, *SHADES)


def export_gif(recording, path, *, from_s=None, to_s=None, width_in=9.0, dpi=72):
    """Write a recorded drive, at most `GIF_S` of it, as an animated GIF in real time, five pictures a second.

    Parameters
    ----------
    recording : Recording
    path : path
    from_s, to_s : float or None
        The part to show, s; None: from the first row; as long as `GIF_S`.

    Raises
    ------
    InputError
        If no row is left to show, or the file cannot be written.
    """
    pictures = list(gif_pictures(recording, from_s=from_s, to_s=to_s, width_in=width_in, dpi=dpi))
    try:
        pictures[0].save(
            path, save_all=True, append_images=pictures[1:], duration=round(1000 / PER_S), loop=0, optimize=True
        )
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from None


def gif_pictures(recording, *, from_s=None, to_s=None, width_in=9.0, dpi=72):
    """Yield the pictures of the GIF, all of one size and with one palette."""
    from PIL import Image

    indices = _indices(recording, from_s, to_s)
    window = _window(recording, indices)
    drawn = [_drawn(recording, index, window, width_in, dpi) for index in indices]
    pictures = [Image.open(io.BytesIO(data)).convert("RGB") for data in drawn]
    palette = _palette(pictures)
    for picture in pictures:
        yield picture.quantize(palette=palette, dither=Image.Dither.NONE)


def _palette(pictures):
    """The colours of the kit's signs and greys first, then those that a few of the pictures need besides."""
    from PIL import Image

    few = pictures[:: max(1, len(pictures) // 6)]
    wide, high = few[0].size
    mosaic = Image.new("RGB", (wide, high * len(few)))
    for k, picture in enumerate(few):
        mosaic.paste(picture, (0, k * high))
    found = mosaic.quantize(COLORS, method=Image.Quantize.MEDIANCUT).getpalette()[: 3 * COLORS]
    own = [int(color[k : k + 2], 16) for color in OWN for k in (1, 3, 5)]
    palette = Image.new("P", (1, 1))
    palette.putpalette([*own, *found])
    return palette


def _indices(recording, from_s, to_s):
    times = recording.times_s
    if not len(times):
        raise InputError("the recording has no rows to show")
    first = times[0] if from_s is None else from_s
    last = min(first + GIF_S if to_s is None else min(to_s, first + GIF_S), times[-1])
    wanted = np.arange(first, last + 1e-9, 1.0 / PER_S)
    found = np.unique(np.searchsorted(times, wanted + 1e-6, side="right") - 1)
    found = found[(found >= 0) & (times[np.clip(found, 0, None)] >= first - 1e-6)]
    if not len(found):
        raise InputError(f"from_s {from_s}, to_s {to_s}: no recorded row lies between")
    return found.tolist()


def _window(recording, indices):
    """What of the yard holds the vehicle's surroundings all the time: the picture does not move."""
    views = [figures.near_window(recording.scene, recording.rows[k].ego.pose) for k in (indices[0], indices[-1])]
    low, high = np.min(views, axis=0), np.max(views, axis=0)
    return float(low[0]), float(high[1]), float(low[2]), float(high[3])


def _drawn(recording, index, window, width_in, dpi):
    row, (x0, x1, y0, y1) = recording.rows[index], window
    height_in = min(max((width_in - 0.9) * (y1 - y0) / (x1 - x0), 2.0), 9.0) + 2.9
    figure = style.new_figure(width_in, height_in)
    with style.look():
        ax = figure.add_subplot()
        figures.plan_view(
            ax, recording.scene, recording.tuning, row, grid=grid_shown(recording, index), window=window,
            reach=reach_discs(row.tracks, row.verdict, recording.tuning),
        )  # fmt: skip
        figure.suptitle(f"{row.time_s:.1f} s   {CAUTION}", fontsize=8.5, x=0.01, ha="left", wrap=True)
    return style.png(figure, dpi)
