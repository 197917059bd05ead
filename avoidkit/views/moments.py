"""One instant of a recording on one figure: the plan view above, the whole drive below, with a line at the instant."""

from avoidkit.views import figures, style
from avoidkit.views.answers import grid_shown, reach_discs


def show_moment(figure, recording, time_s):
    """Draw the instant at `time_s` and the drive around it on a figure, at best 12 x 9 inches; returns its axes."""
    index = recording.index_at(time_s)
    row = recording.rows[index]
    with style.look():
        top, bottom = figure.subfigures(2, 1, height_ratios=[3, 2])
        ax = top.add_subplot()
        figures.plan_view(
            ax,
            recording.scene,
            recording.tuning,
            row,
            grid=grid_shown(recording, index),
            reach=reach_discs(row.tracks, row.verdict, recording.tuning),
            window=figures.near_window(recording.scene, row.ego.pose),
        )
        return [ax, *figures.draw_drive(bottom, recording, mark_s=row.time_s)]
