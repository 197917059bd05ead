"""Pictures of a stress search: how it got on beside random search, and the worst walk from above."""

import numpy as np
from matplotlib.ticker import MaxNLocator

from avoidkit.vehicle import outline_in_scene
from avoidkit.views import plots, style
from avoidkit.views.figures import yard_window
from avoidkit.views.style import BLUE, INK, ORANGE, PAPER, SOFT, VERMILLION
from avoidkit.views.tradeoff import CAUTION, footnote

LOOKS = {"search": (BLUE, "-", "o"), "random": (ORANGE, (0, (6, 2)), "D")}
SHOWN = (-3.5, 3.0)  # values outside are drawn at the rim
NEAREST_SHOWN = -1.5  # at least so much of what lies below a contact is shown


def stress_figure(stress, *, title="How near the search came"):
    """Progress of the search beside random search, and the worst walk; a matplotlib figure."""
    figure = style.new_figure(14.0, 6.8)
    with style.look():
        left, right = figure.subplots(1, 2, width_ratios=[1, 1.25])
        draw_progress(left, stress.trials)
        left.set_title(title)
        if stress.scenes:
            draw_walk(right, stress.scenes[0], stress.recordings[0])
        footnote(figure, "\n".join([*(line.split(";")[0] for line in stress.lines()), CAUTION]))
    return figure


def draw_progress(ax, trials):
    """Every trial as a dot and the best so far as a line, by number of evaluation; returns the artists."""
    low = min(max(float(trials["value"].min()) - 0.3, SHOWN[0]), NEAREST_SHOWN)
    artists = [ax.axhspan(low, -1.0, color=VERMILLION, alpha=0.12, lw=0)]
    for search in trials["search"].unique():
        value = np.clip(trials[trials["search"] == search]["value"].to_numpy(float), *SHOWN)
        color, line, mark = LOOKS[search]
        number = np.arange(1, len(value) + 1)
        artists.append(ax.scatter(number, value, s=60, marker=mark, color=color, alpha=0.6, linewidths=0))
        artists += ax.plot(
            number, np.minimum.accumulate(value), color=color, linestyle=line, lw=3, label=f"{search}, best so far",
            drawstyle="steps-post",
        )  # fmt: skip
    said, place = "below this line: contact while moving", ax.get_yaxis_transform()
    artists.append(ax.text(0.98, -1.08, said, transform=place, ha="right", va="top"))
    ax.axhline(-1.0, color=VERMILLION, lw=1.6, linestyle=":")
    ax.set(xlabel="evaluations", ylabel="gap less 0.3 s of driving (m)", ylim=(low, SHOWN[1]))
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.legend(loc="upper right")
    return artists


def draw_walk(ax, scene, recording):
    """The yard, the walk with a dot each second, and vehicle and walker at the worst instant."""
    rows = [row for row in recording.rows if abs(row.ego.speed_mps) > 0.05] or list(recording.rows)
    k = scene.people[-1].name
    worst = min(rows, key=lambda row: (k not in row.contacts, row.gap_m - 0.3 * abs(row.ego.speed_mps)))
    plots.draw_yard(ax, scene)
    plots.draw_path(ax, scene.reference)
    start = outline_in_scene(recording.tuning.vehicle, scene.start_pose)
    ax.fill(*start.T, facecolor="none", edgecolor=SOFT, lw=1.4, linestyle=":")
    plots.draw_vehicle(ax, worst.ego.pose, recording.tuning.vehicle)
    places = np.array([row.people.xy[row.people.names.index(k)] for row in recording.rows])
    until = recording.index_at(worst.time_s)
    ax.plot(*places[: until + 1].T, color=VERMILLION, lw=3, zorder=4.5, label="the walk until then")
    ax.plot(*places[: until + 1 : 20].T, "o", color=PAPER, mec=INK, markersize=6, zorder=4.6, label="each second")
    ax.plot(*places[until], "o", color=VERMILLION, markeredgecolor=INK, markersize=14, zorder=5, label="walker")
    touches = "contact" if k in worst.contacts else f"gap {worst.gap_m:.2f} m"
    ax.set_title(f"{touches} at {abs(worst.ego.speed_mps):.2f} m/s, {worst.time_s:.2f} s", fontsize=15)
    x0, x1, y0, y1 = yard_window(scene)
    middle = worst.ego.pose.x_m + 1.5
    ax.set(xlim=(max(x0, middle - 8), min(x1, middle + 8)), ylim=(max(y0, -6.5), min(y1, 6.5)))
    ax.set(xlabel="x (m)", ylabel="y (m)", aspect="equal")
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), ncols=3)
    return []
