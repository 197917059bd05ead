"""The bench on a canvas: people, things and the vehicle are dragged on the plan view, and the answer follows.

The page draws what is held at once and asks by numbered messages; each is answered by one message with a frame per
side (one tuning, or two to compare) and, where a grid has changed, its cells as bytes. All callbacks of all
benches hold one lock.
"""

import html
import math
from pathlib import Path

import anywidget
import ipywidgets as widgets
import traitlets

from avoidkit.checks import InputError
from avoidkit.recording.summary import CAUTION
from avoidkit.studies.settled import exact_grid
from avoidkit.views.answers import LOCK, own_scene, reach_discs, settled
from avoidkit.views.asked import Asked, asked_of, blocks_of
from avoidkit.views.canvaslive import LiveSide
from avoidkit.views.compiling import tell_page
from avoidkit.views.controls import TuningPanel
from avoidkit.views.demo import bundle, demo_frame
from avoidkit.views.figures import near_window
from avoidkit.views.frames import frame_of, packed_grid_of, yard_of
from avoidkit.views.idle import IdleWork
from avoidkit.views.keeping import KINDS, KeepPanel
from avoidkit.views.mapside import MapSide
from avoidkit.views.newest import Newest
from avoidkit.views.plainly import canvas_again, plain_unless_it_answers
from avoidkit.views.turns import turn_message
from avoidkit.views.watched import watch

STYLE = Path(__file__).with_name("plan.css")
SCRIPTS = (
    "plan.js",
    "cells.js",
    "overlay.js",
    "messages.js",
    "panel.js",
    "state.js",
    "tips.js",
    "livebar.js",
    "sides.js",
    "bench.js",
)
MODES = ("exact", "sensed", "live")
LATE = """<style>
@keyframes ak-late {from {opacity: 0} to {opacity: 1}}
.ak-late {animation: ak-late 0s 5s both}
.avoidkit-bench:has(canvas.ak-plan) .ak-late {display: none}
</style>
<p class='ak-late'>The plan view has not appeared. It needs <b>anywidget</b> where JupyterLab itself runs
(<code>pip install 'avoidkit[lab]'</code>, then start the lab anew), and a page that is allowed to run it. Until then,
and with <code>bench(scene, tuning, plain=True)</code>, sliders and a drawn picture do the same more slowly.</p>"""


class PlanWidget(anywidget.AnyWidget):
    """The page's side of the bench; `yard` and `start` are read once, `revision` makes it ask anew."""

    _esm = bundle(*SCRIPTS)
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
        Of drives, of the live loop and of what the sensors see.
    people : sequence of (x, y, vx, vy)
        Who stands or walks where at first, m and m/s.
    along_m : float
        Where the vehicle is on its reference path at first.
    """

    kinds = tuple(KINDS)  # what can be saved

    def __init__(self, scene, tuning, *, decide=None, seed=1, people=(), along_m=0.0):
        from avoidkit.decision import decide as own

        self.scene, self.seed, self.own_decision = own_scene(scene), int(seed), decide is not None
        self.decide = decide or own
        self.asked = Asked(tuple(tuple(map(float, person)) for person in people), float(along_m), blocks_of(scene))
        self.mode, self.verdict, self.situation, self.recording = "exact", None, None, None
        self.lock = LOCK
        self._grids, self._sent, self.answered = {}, {}, False
        self.idle, self.newest = IdleWork(self.lock), Newest(self._answer)
        self.panel = TuningPanel(tuning, on_change=lambda _panel: self._ask_anew())
        self.other = self.make_plain = None
        self.plan = PlanWidget(yard=yard_of(scene, tuning, movable=False), start=self._start())
        self.plan.on_msg(self._on_message)
        tell_page(self)
        self.live, self.map = LiveSide(self), MapSide(self)
        self.late = widgets.HTML(LATE)
        self.keep = KeepPanel(self)
        self._make_drive()
        self._make_compare()
        self.widget = self._arrange()

    def _start(self):
        people = [
            {"x": x, "y": y, "vx": vx, "vy": vy, "heading": math.atan2(vy, vx) if (vx or vy) else math.pi}
            for x, y, vx, vy in self.asked.people
        ]
        pose = self.scene.reference.pose_at(self.asked.along_m)
        ego = [pose.x_m, pose.y_m, pose.yaw_rad, 0.0, 0.0]
        blocks = [list(block) for block in self.asked.blocks]
        names = [getattr(self.scene, {"trolley": "trolleys"}.get(kind, kind))[k].name for kind, k, *_ in blocks]
        window = near_window(self.scene, pose)
        start = {"people": people, "along": self.asked.along_m, "ego": ego, "window": window}
        return start | {"blocks": blocks, "names": names}

    # -- the other parts of the panel ---------------------------------------------------------------------

    def _make_drive(self):
        self.go = widgets.Button(description="drive this", button_style="primary", tooltip="drive the loop as set now")
        self.go.on_click(lambda _button: self.drive())
        self.seconds = widgets.BoundedFloatText(
            min=1.0, max=600.0, value=min(20.0, self.scene.duration_s), description="for (s)", layout={"width": "170px"}
        )
        self.replay, self.note = widgets.HTML(), widgets.HTML()

    def _make_compare(self):
        self.compare = widgets.Checkbox(
            value=False,
            indent=False,
            description="compare with a second tuning, B, on the same situation",
            layout={"width": "auto"},
        )
        self.compare.observe(lambda change: self._compare(change["new"]), "value")
        self._beside = widgets.VBox()

    def _compare(self, wanted):
        with self.lock:
            self.other = None
            if wanted:
                self.other = TuningPanel(self.panel.tuning, on_change=lambda _panel: self._ask_anew())
            titles = ("Tuning B: every parameter, with unit and bounds",)
            self._beside.children = [widgets.Accordion([self.other.widget], titles=titles)] if self.other else []
            self._sent.clear()
            self._ask_anew()

    def _arrange(self):
        self.title = widgets.HTML(f"<h3 style='margin:4px 0'>{html.escape(self.scene.title or self.scene.name)}</h3>")
        tuning = widgets.Accordion([self.panel.widget], titles=("Tuning: every parameter, with unit and bounds",))
        keep = widgets.Accordion([self.keep.widget], titles=("Save what you see",))
        row = widgets.HBox([self.go, self.seconds, self.note])
        caution = widgets.HTML(f"<p class='ak-caution'>{html.escape(CAUTION)}</p>")
        parts = [self.title, self.late, self.plan, caution, row, self.compare, tuning, self._beside, keep, self.replay]
        box = widgets.VBox(parts, layout={"width": "100%"})
        box.add_class("avoidkit-bench")
        return box

    def _ipython_display_(self):
        from IPython.display import display

        display(self.widget)
        plain_unless_it_answers(self)

    # -- the page asks, the kit answers -------------------------------------------------------------------

    def _ask_anew(self):
        self.plan.revision += 1

    def _on_message(self, _widget, content, _buffers):
        kind = content.get("kind")
        if kind == "ask":
            self.newest.post(content)
            return
        with self.lock:
            if kind == "live":
                self.newest.take()  # an answer that comes now would end the mode
            else:
                self.newest.finish()
            if kind == "ready":
                self._page_is_there()
            elif kind == "rest":
                self._rest(int(content.get("number", 0)))
            elif kind in ("live", "word"):
                self.live.hear(kind, content)
            elif kind == "map":
                self.map.hear(content)

    def _page_is_there(self):
        self.late.layout.display, self.answered = "none", True
        self._sent.clear()
        canvas_again(self)

    @property
    def sides(self):
        """The tuning panels on show: one, or two to compare."""
        return [self.panel] if self.other is None else [self.panel, self.other]

    def _answer(self, content):
        with self.lock:
            self.idle.cancel()
            message, buffers = {"kind": "answer", "number": int(content["number"])}, []
            try:
                self._take(content)
                message |= self._answers(buffers)
            except InputError as error:
                message["problem"] = str(error)
            except Exception as error:  # noqa: BLE001  the page must not wait for an answer that never comes
                message["problem"] = f"{type(error).__name__}: {error}"[:300]
            if "problem" in message:
                buffers.clear()
                self._sent.clear()  # a grid that was ready for one side stays here
            self.plan.send(message, buffers)

    def _answers(self, buffers):
        """A frame for each side, and into `buffers` the grids that the page does not have yet."""
        places, frames = [], []
        for k, panel in enumerate(self.sides):
            frame, grid = self._frame(k, panel)
            frames.append(frame)
            places.append(None)
            if grid is not self._sent.get(k):
                places[k], cells = packed_grid_of(grid)
                buffers.append(cells)
                self._sent[k] = grid
        said = {"frames": frames, "grids": places, "along": self.asked.along_m, "mode": self.mode}
        return said | {"provisional": self.mode == "sensed"}

    def _take(self, content):
        """What the page asks about, checked; another scene there makes the map under it old."""
        before = self.asked
        self.asked = asked_of(content, self.scene)
        self.mode = content.get("mode", "exact") if content.get("mode") in MODES else "exact"
        if before != self.asked:
            self.map.scene_changed(before, self.asked)

    def scene_now(self):
        """The scene with its movable things where they are on the page."""
        return self.asked.scene_of(self.scene)

    def _frame(self, k, panel):
        if panel.problem:
            raise InputError(panel.problem)
        tuning, scene = panel.tuning, self.scene_now()
        self.asked.require_standable(scene, tuning)
        grid = self._grid_at(k, scene, tuning)
        people, along_m = self.asked.people, self.asked.along_m
        situation, verdict, error = settled(scene, tuning, people, along_m, self.decide, grid)
        if k == 0:
            self.situation, self.verdict = situation, verdict
        return self._framed(situation, verdict, error, tuning), grid

    def _framed(self, situation, verdict, error, tuning, people=None):
        reach = reach_discs(situation.tracks, verdict, tuning)
        return frame_of(situation, verdict, tuning, reach=reach, people=people) | {"error": error}

    def _grid_at(self, k, scene, tuning):
        key = (tuning.freespace, tuning.vehicle, round(self.asked.along_m / 0.5), self.asked.blocks)
        if self._grids.get(k, (None,))[0] != key:
            same = next((grid for other, grid in self._grids.values() if other == key), None)
            self._grids[k] = key, exact_grid(scene, tuning, along_m=self.asked.along_m) if same is None else same
        return self._grids[k][1]

    # -- when nobody drags --------------------------------------------------------------------------------

    def _rest(self, number):
        """At rest: the answer as the sensors would have it, where that is wanted, and what would turn it."""
        if self.situation is None or self.mode == "live":
            return
        scene, tuning, asked = self.scene_now(), self.panel.tuning, self.asked

        def job(guard):
            if self.mode == "sensed":
                found = watch(scene, tuning, asked, self.decide, seed=self.seed, guard=guard)
                guard(lambda: self._send_sensed(number, found))
            situation = guard(lambda: self.situation)
            return turn_message(situation, tuning, lambda s, t: guard(lambda: self.decide(s, t)))

        def done(result):
            message = {"kind": "turn", "number": number, "turn": None, "shape": None}
            if isinstance(result, Exception):
                message["problem"] = f"{type(result).__name__}: {result}"[:300]
            else:
                message |= result
            self.plan.send(message)

        self.idle.start(job, done)

    def _send_sensed(self, number, found):
        situation, verdict, error, row = found
        if situation is None:
            self.plan.send({"kind": "turn", "number": number, "turn": None, "shape": None, "problem": error})
            return
        self.situation, self.verdict = situation, verdict
        frame = self._framed(situation, verdict, error, self.panel.tuning)
        frame["returns"] = frame_of(row, verdict, self.panel.tuning)["returns"]
        place, cells = packed_grid_of(situation.grid)
        self._sent.pop(0, None)  # the next exact answer sends its own grid again
        message = {"kind": "answer", "number": number, "frames": [frame], "grids": [place], "refined": True}
        self.plan.send(message | {"along": self.asked.along_m, "mode": self.mode, "provisional": False}, [cells])

    # -- drive and replay ---------------------------------------------------------------------------------

    def drive(self):
        """Drive the closed loop with the people as they stand now, and show the replay below."""
        from avoidkit.drive import drive

        with self.lock:
            self.go.disabled, self.note.value = True, "driving"
            try:
                self.recording = drive(
                    self.scene_with_people(), self.panel.tuning, seed=self.seed, decide=self.decide,
                    duration_s=self.seconds.value,
                )  # fmt: skip
                self.replay.value = demo_frame(self.recording, still=False)._repr_html_()
                self.note.value = f"replay below: {self.recording.duration_s:.1f} s, seed {self.seed}"
            except InputError as error:
                self.note.value = html.escape(str(error))
            finally:
                self.go.disabled = False

    def asked_now(self):
        """What is on the page: in live mode where the loop has everybody now, else what was asked last."""
        return self.live.asked_now(self.asked) if self.mode == "live" and self.live.drive else self.asked

    def scene_with_people(self):
        """The scene as it is on the page, the people of the bench added to its own."""
        scene = self.scene_now()
        for k, (x, y, vx, vy) in enumerate(self.asked_now().people, start=1):
            scene = scene.with_person(f"guest {k} on the bench", (x, y), (vx, vy))
        return scene
