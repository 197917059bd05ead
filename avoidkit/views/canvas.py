"""The bench on a canvas: people and vehicle are dragged on the plan view, and the settled answer follows.

The page draws what is held at once and asks by numbered messages; each is answered by one message with the
frame and, where the grid has changed, its cells as bytes. All callbacks hold one lock.
"""

import html
import math
import threading
from pathlib import Path

import anywidget
import ipywidgets as widgets
import numpy as np
import traitlets

from avoidkit.checks import InputError
from avoidkit.studies.settled import exact_grid
from avoidkit.studies.turn import find_turn
from avoidkit.views.answers import obstacle_at, reach_discs, settled
from avoidkit.views.controls import TuningPanel
from avoidkit.views.demo import bundle, demo_frame
from avoidkit.views.figures import near_window
from avoidkit.views.frames import frame_of, grid_of, turn_of, yard_of

STYLE = Path(__file__).with_name("plan.css")
LATE = """<style>
@keyframes ak-late {from {opacity: 0} to {opacity: 1}}
.ak-late {animation: ak-late 0s 5s both}
</style>
<p class='ak-late'>The plan view has not appeared. It needs <b>anywidget</b> where JupyterLab itself runs
(<code>pip install 'avoidkit[lab]'</code>, then start the lab anew). Or use
<code>bench(scene, tuning, plain=True)</code>, which needs ipywidgets only.</p>"""


class PlanWidget(anywidget.AnyWidget):
    """The page's side of the bench; `yard` and `start` are read once, `revision` makes it ask anew."""

    _esm = bundle("plan.js", "messages.js", "panel.js", "bench.js")
    _css = STYLE.read_text(encoding="utf-8")
    yard = traitlets.Dict().tag(sync=True)
    start = traitlets.Dict().tag(sync=True)
    revision = traitlets.Int(0).tag(sync=True)


class CanvasBench:
    """A plan view to take hold of, the verdict beside it, sliders for every parameter, and a drive to replay.

    Parameters
    ----------
    scene : Scene
    tuning : Tuning
    decide : callable or None
        `decide(situation, tuning) -> Verdict`; None: the kit's own.
    seed : int
        Of drives.
    people : sequence of (x, y, vx, vy)
        Who stands or walks where at first, m and m/s.
    along_m : float
        Where the vehicle is on its reference path at first.
    """

    def __init__(self, scene, tuning, *, decide=None, seed=1, people=(), along_m=0.0):
        from avoidkit.decision import decide as own

        self.scene, self.seed, self._decide = scene, int(seed), decide or own
        self.verdict = self.recording = self._grid = self._sent = self._situation = None
        self._asked = {"people": [list(map(float, person)) for person in people], "along": float(along_m)}
        self._lock = threading.RLock()
        self.panel = TuningPanel(tuning, on_change=lambda _panel: self._ask_anew())
        self.plan = PlanWidget(yard=yard_of(scene, tuning), start=self._start())
        self.plan.on_msg(self._on_message)
        self.late = widgets.HTML(LATE)
        self._make_drive()
        self.widget = self._arrange()

    def _start(self):
        people = [
            {"x": x, "y": y, "vx": vx, "vy": vy, "heading": math.atan2(vy, vx) if (vx or vy) else math.pi}
            for x, y, vx, vy in self._asked["people"]
        ]
        pose = self.scene.reference.pose_at(self._asked["along"])
        ego = [pose.x_m, pose.y_m, pose.yaw_rad, 0.0, 0.0]
        return {"people": people, "along": self._asked["along"], "ego": ego, "window": near_window(self.scene, pose)}

    def _make_drive(self):
        self.go = widgets.Button(description="drive this", button_style="primary", tooltip="drive the loop as set now")
        self.go.on_click(lambda _button: self.drive())
        self.seconds = widgets.BoundedFloatText(
            min=1.0, max=600.0, value=min(20.0, self.scene.duration_s), description="for (s)", layout={"width": "170px"}
        )
        self.replay, self.note = widgets.HTML(), widgets.HTML()

    def _arrange(self):
        title = widgets.HTML(f"<h3 style='margin:4px 0'>{html.escape(self.scene.title or self.scene.name)}</h3>")
        tuning = widgets.Accordion([self.panel.widget], titles=("Tuning: every parameter, with unit and bounds",))
        row = widgets.HBox([self.go, self.seconds, self.note])
        box = widgets.VBox([title, self.late, self.plan, row, tuning, self.replay], layout={"width": "100%"})
        box.add_class("avoidkit-bench")
        return box

    def _ipython_display_(self):
        from IPython.display import display

        display(self.widget)

    # -- the page asks, the kit answers -------------------------------------------------------------------

    def _ask_anew(self):
        self.plan.revision += 1

    def _on_message(self, _widget, content, _buffers):
        with self._lock:
            kind = content.get("kind")
            if kind == "ready":
                self.late.layout.display, self._sent = "none", None
            elif kind == "ask":
                self._answer(content)
            elif kind == "turn":
                self._turn()

    def _answer(self, content):
        message, buffers = {"kind": "answer", "number": int(content["number"])}, []
        try:
            self._take(content)
            frame, grid = self._frame()
            message |= {"frame": frame, "along": self._asked["along"]}
            if grid is not self._sent:
                message["grid"], cells = grid_of(grid)
                buffers, self._sent = [cells], grid
        except InputError as error:
            message["problem"] = str(error)
        self.plan.send(message, buffers)

    def _turn(self):
        """What would turn the last answer: seconds of computing, hence only when asked for."""
        message = {"kind": "turn", "turn": None}
        if self._situation is not None:
            try:
                turn = find_turn(self._situation, self.panel.tuning, decide=self._decide)
            except Exception as error:  # noqa: BLE001  the user's own decision may raise anything
                message["problem"] = f"{type(error).__name__}: {error}"[:300]
            else:
                message["turn"] = turn_of(turn)
        self.plan.send(message)

    def _take(self, content):
        """What the page asks about, checked: finite numbers, a distance on the path."""
        people = np.asarray(content["people"], float).reshape(-1, 4)
        along_m = float(content["along"])
        if not (np.isfinite(people).all() and math.isfinite(along_m)):
            raise InputError("places and velocities must be finite")
        along_m = min(max(along_m, 0.0), self.scene.reference.length_m)
        self._asked = {"people": people.tolist(), "along": along_m}

    def _frame(self):
        if self.panel.problem:
            raise InputError(self.panel.problem)
        tuning, people, along_m = self.panel.tuning, self._asked["people"], self._asked["along"]
        for x, y, _, _ in people:
            inside = obstacle_at(self.scene, tuning, (x, y), along_m)
            if inside:
                raise InputError(f"Nobody can stand there: {inside}.")
        grid = self._grid_at(tuning, along_m)
        situation, self.verdict, error = settled(self.scene, tuning, people, along_m, self._decide, grid)
        self._situation, reach = situation, reach_discs(situation.tracks, self.verdict, tuning)
        return frame_of(situation, self.verdict, tuning, reach=reach) | {"error": error}, grid

    def _grid_at(self, tuning, along_m):
        key = (tuning.freespace, tuning.vehicle, round(along_m / 0.5))
        if self._grid is None or self._grid[0] != key:
            self._grid = key, exact_grid(self.scene, tuning, along_m=along_m)
        return self._grid[1]

    # -- drive and replay ---------------------------------------------------------------------------------

    def drive(self):
        """Drive the closed loop with the people as they stand now, and show the replay below."""
        from avoidkit.drive import drive

        with self._lock:
            self.go.disabled, self.note.value = True, "driving"
            try:
                scene = self.scene
                for k, (x, y, vx, vy) in enumerate(self._asked["people"], start=1):
                    scene = scene.with_person(f"guest {k} on the bench", (x, y), (vx, vy))
                self.recording = drive(
                    scene, self.panel.tuning, seed=self.seed, decide=self._decide, duration_s=self.seconds.value
                )
                self.replay.value = demo_frame(self.recording)._repr_html_()
                self.note.value = f"replay below: {self.recording.duration_s:.1f} s, seed {self.seed}"
            except InputError as error:
                self.note.value = html.escape(str(error))
            finally:
                self.go.disabled = False
