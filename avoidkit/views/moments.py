"""One instant of a recording: on a figure with the whole drive below it, and on the bench to ask again."""

from avoidkit.views import figures, plots, style, tables
from avoidkit.views.answers import LOCK, ask, grid_shown, reach_discs


def show_moment(figure, recording, time_s):
    """Draw the instant at `time_s` and the drive around it on a figure, at best 12 x 11 inches; returns its axes."""
    index = recording.index_at(time_s)
    row = recording.rows[index]
    with style.look():
        window = figures.near_window(recording.scene, row.ego.pose, ahead_m=18.0, behind_m=5.0, side_m=3.5)
        top, bottom = figure.subfigures(2, 1, height_ratios=_heights(figure, window))
        ax = top.add_subplot()
        figures.plan_view(
            ax,
            recording.scene,
            recording.tuning,
            row,
            grid=grid_shown(recording, index),
            reach=reach_discs(row.tracks, row.verdict, recording.tuning),
            window=window,
        )
        return [ax, *figures.draw_drive(bottom, recording, mark_s=row.time_s)]


def _heights(figure, window):
    """Inches for the plan with badge and key, as high as its window is at that width, and for the drive below it."""
    wide_in, high_in = figure.get_size_inches()
    x0, x1, y0, y1 = window
    plan_in = min((wide_in - 1.0) * (y1 - y0) / (x1 - x0) + 2.5, 0.68 * high_in)
    return [plan_in, high_in - plan_in]


class MomentBench:
    """One recorded cycle, rebuilt exactly: change the tuning or the decision and see what the answer would have been.

    Parameters
    ----------
    recording : Recording
    time_s : float
    decide : callable or None
        `decide(situation, tuning) -> Verdict`; None: the kit's own.
    """

    def __init__(self, recording, time_s, *, decide=None):
        import ipywidgets as widgets

        from avoidkit.decision import decide as own
        from avoidkit.views.controls import TuningPanel

        self.recording, self._decide, self._lock = recording, decide or own, LOCK
        self.situation, self.row = recording.situation(time_s), recording.row_at(time_s)
        self.verdict = None
        self.plan, self.answer, self.table = widgets.Image(format="png"), widgets.HTML(), widgets.HTML()
        self.panel = TuningPanel(recording.tuning, on_change=lambda _panel: self._refresh())
        beside = widgets.VBox([self.answer, self.table], layout={"width": "44%", "margin": "0 0 0 14px"})
        self.plan.layout.width = "55%"
        self.widget = widgets.VBox([widgets.HBox([self.plan, beside]), self.panel.widget], layout={"width": "100%"})
        self.widget.add_class("avoidkit-bench")
        self._refresh()

    def _ipython_display_(self):
        from IPython.display import display

        display(self.widget)

    def _refresh(self):
        with self._lock:
            if self.panel.problem:
                self.answer.value = tables.verdict_html(self.verdict, error=self.panel.problem, stale=True)
                return
            tuning, scene = self.panel.tuning, self.recording.scene
            self.verdict, error = ask(self._decide, self.situation, tuning)
            self.plan.value = figures.plan_png(
                scene,
                tuning,
                self.situation,
                self.verdict,
                people=self.row.people,
                reach=reach_discs(self.situation.tracks, self.verdict, tuning),
                window=figures.near_window(scene, self.situation.ego.pose),
            )
            self.answer.value = tables.verdict_html(self.verdict, error=error or self._compared())
            self.table.value = tables.checks_html(self.verdict)

    def _compared(self):
        """How this answer differs from the recorded one; empty where it does not."""
        was, now = self.row.verdict, self.verdict
        if (was.action, was.speed_cap_mps) == (now.action, now.speed_cap_mps):
            return ""
        return f"Recorded at {self.row.time_s:.2f} s was: {plots.headline(was)}."
