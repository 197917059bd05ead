"""One recorded cycle on the canvas, rebuilt exactly, to ask again with another tuning or decision."""

import html

from avoidkit.checks import InputError
from avoidkit.views import plots
from avoidkit.views.answers import ask, reach_discs
from avoidkit.views.canvas import CanvasBench
from avoidkit.views.frames import frame_of


class MomentCanvas(CanvasBench):
    """A `CanvasBench` of one recorded cycle; who is there stays as sensed, tuning and decision can be changed.

    Parameters
    ----------
    recording : Recording
    time_s : float
        The cycle at or before it is opened.
    decide : callable or None
        `decide(situation, tuning) -> Verdict`; None: the kit's own.
    """

    kinds = ("scene", "png", "svg")

    def __init__(self, recording, time_s, *, decide=None):
        self.row, self._moment = recording.row_at(time_s), recording.situation(time_s)
        along_m = float(self.row.reference_along_m)
        super().__init__(recording.scene, recording.tuning, decide=decide, seed=recording.seed, along_m=along_m)
        self.recording, self.situation = recording, self._moment
        title = html.escape(recording.scene.title or recording.scene.name)
        now = f"{self.row.time_s:.2f} s, seed {recording.seed}"
        self.title.value = f"<h3 style='margin:4px 0'>{title}: the recorded cycle at {now}</h3>"

    def _start(self):
        pose, speed = self.row.ego.pose, self.row.ego.speed_mps
        ego = [pose.x_m, pose.y_m, pose.yaw_rad, self.row.ego.steering_rad, speed]
        return super()._start() | {"ego": ego, "moment": True}

    def _frame(self, k, panel):
        if panel.problem:
            raise InputError(panel.problem)
        verdict, error = ask(self.decide, self._moment, panel.tuning)
        if k == 0:
            self.situation, self.verdict = self._moment, verdict
        reach = reach_discs(self._moment.tracks, verdict, panel.tuning)
        frame = frame_of(self._moment, verdict, panel.tuning, people=self.row.people, reach=reach)
        frame["returns"] = frame_of(self.row, verdict, panel.tuning)["returns"]
        more = {"own": len(self.row.people), "error": error, "recorded": self._compared(verdict)}
        return frame | more, self._moment.grid

    def _compared(self, verdict):
        """How this answer differs from the recorded one."""
        was, at = self.row.verdict, f"{self.row.time_s:.2f} s"
        if (was.action, was.speed_cap_mps) == (verdict.action, verdict.speed_cap_mps):
            return f"As recorded at {at}."
        return f"Recorded at {at} was: {plots.headline(was)}."

    def _rest(self, number):
        """Nothing follows: what would turn a settled answer says little about one cycle of a drive."""
