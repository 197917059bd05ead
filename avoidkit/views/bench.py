"""The bench: move a person on the plan view and see whether the vehicle waits or goes round, and why.

Two modes. *Settled*: one person, known exactly, and the answer after watching for a while. *Live*: the closed loop is
driven, with that person among the scene's own, and stepped through. Callbacks make parameters, call the package and
hand the result to a drawing function; all of them hold one lock, since they may run on a thread beside the cell.
"""

import html
import importlib.util
import math

import ipywidgets as widgets

from avoidkit.checks import InputError
from avoidkit.recording.summary import CAUTION
from avoidkit.studies.settled import exact_grid
from avoidkit.views import figures, style, tables
from avoidkit.views.answers import LOCK, exact_people, grid_shown, obstacle_at, own_scene, reach_discs, settled
from avoidkit.views.controls import TuningPanel

GUEST = "guest on the bench"
PLAY_EVERY = 4  # cycles from one picture to the next while playing: five pictures a second at real time


class Bench:
    """A panel of sliders, a plan view, a verdict and its table of checks; `widget` is what a cell shows.

    Parameters
    ----------
    scene : Scene
    tuning : Tuning
    decide : callable or None
        `decide(situation, tuning) -> Verdict`; None: the kit's own.
    seed : int
        Of live drives.
    person_xy, velocity : (2,) or None
        Where the person is at first, m, and how they move, m/s; None: 6 m ahead, beside the path, standing.
    """

    def __init__(self, scene, tuning, *, decide=None, seed=1, person_xy=None, velocity=(0.0, 0.0)):
        from avoidkit.decision import decide as own

        self.scene, self.seed, self._decide = own_scene(scene), int(seed), decide or own
        self._lock = LOCK
        self.verdict = self.recording = self._grid = None
        self.panel = TuningPanel(tuning, on_change=lambda _panel: self._refresh())
        self._make_sliders(person_xy, velocity)
        self._make_outputs()
        self._make_drive()
        self.widget = self._arrange()
        self._refresh()

    # -- what a user moves --------------------------------------------------------------------------------

    def _make_sliders(self, person_xy, velocity):
        x0, x1, y0, y1 = figures.yard_window(self.scene, margin_m=0.0)
        x, y = person_xy if person_xy is not None else _beside_the_path(self.scene.reference)
        vx, vy = velocity
        heading = math.degrees(math.atan2(vy, vx)) if (vx or vy) else 180.0
        self.x_m = _slider("person x", "m", min(x0, x), max(x1, x), x, 0.05)
        self.y_m = _slider("person y", "m", min(y0, y), max(y1, y), y, 0.05)
        self.heading_deg = _slider("heading", "deg", -180.0, 180.0, heading, 5.0)
        self.speed_mps = _slider("speed", "m/s", 0.0, 3.0, math.hypot(vx, vy), 0.05)
        length_m = math.floor(self.scene.reference.length_m * 10) / 10
        self.along_m = _slider("vehicle at", "m", 0.0, length_m, 0.0, 0.1)
        for slider in (self.x_m, self.y_m, self.heading_deg, self.speed_mps, self.along_m):
            slider.observe(lambda _change: self._refresh(), "value")
        self.mode = widgets.ToggleButtons(
            options=[("settled: one person, known exactly", "settled"), ("live: drive the whole loop", "live")],
            style={"button_width": "270px"},
        )
        self.mode.observe(lambda _change: self._change_mode(), "value")

    def _make_outputs(self):
        self.plan = widgets.Image(format="png", layout={"width": "100%"})
        self.plan.add_class("avoidkit-plan")
        self.answer, self.table = widgets.HTML(), widgets.HTML()
        self.ribbon = widgets.Image(format="png", layout={"width": "100%"})
        self.note = widgets.HTML()

    def _make_drive(self):
        self.go = widgets.Button(description="drive", button_style="primary", tooltip="drive the loop as set now")
        self.go.on_click(lambda _button: self.drive())
        self.joins = widgets.Checkbox(value=True, indent=False, description="with the person set above")
        longest_s = self.scene.duration_s
        self.seconds = _slider("drive for", "s", 1.0, max(60.0, longest_s), min(30.0, longest_s), 1.0)
        self.play = widgets.Play(min=0, max=0, step=PLAY_EVERY, interval=200, show_repeat=False)
        self.cycle = widgets.IntSlider(min=0, max=0, readout=False, description="cycle", layout={"width": "46%"})
        self.seconds.layout.width = "320px"
        widgets.jslink((self.play, "value"), (self.cycle, "value"))
        self.cycle.observe(lambda _change: self._refresh(), "value")

    def _arrange(self):
        sliders = [self.x_m, self.y_m, self.heading_deg, self.speed_mps, self.along_m]
        beside = widgets.VBox(
            [self.answer, *sliders], layout={"width": "36%", "min_width": "320px", "margin": "0 0 0 14px"}
        )
        plan = widgets.VBox([self.plan], layout={"width": "62%", "min_width": "460px"})
        top = widgets.HBox([plan, beside], layout={"width": "100%"})
        row = widgets.HBox([self.go, self.joins, self.seconds])
        self._live = widgets.VBox([row, widgets.HBox([self.play, self.cycle, self.note]), self.ribbon])
        self._live.layout.display = "none"
        tuning = widgets.Accordion([self.panel.widget], titles=("Tuning: every parameter, with unit and bounds",))
        title = widgets.HTML(f"<h3 style='margin:4px 0'>{html.escape(self.scene.title or self.scene.name)}</h3>")
        caution = widgets.HTML(f"<p>{html.escape(CAUTION)}</p>")
        parts = [title, self.mode, top, self._live, caution, self.table, tuning]
        box = widgets.VBox(parts, layout={"width": "100%"})
        box.add_class("avoidkit-bench")
        return box

    def _ipython_display_(self):
        from IPython.display import display

        display(self.widget)

    # -- what follows -------------------------------------------------------------------------------------

    @property
    def person(self):
        """The person as set: ((x, y) in m, (vx, vy) in m/s)."""
        angle, speed = math.radians(self.heading_deg.value), self.speed_mps.value
        return (self.x_m.value, self.y_m.value), (speed * math.cos(angle), speed * math.sin(angle))

    def _change_mode(self):
        self._live.layout.display = "" if self.mode.value == "live" else "none"
        self._refresh()

    def _refresh(self):
        with self._lock:
            try:
                self._show_live() if self.mode.value == "live" else self._show_settled()
            except InputError as error:
                self._show_stale(str(error))

    def _show_settled(self):
        if self.panel.problem:
            raise InputError(self.panel.problem)
        tuning, (xy, velocity) = self.panel.tuning, self.person
        inside = obstacle_at(self.scene, tuning, xy, self.along_m.value)
        if inside:
            raise InputError(f"Nobody can stand there: {inside}.")
        along_m = self.along_m.value
        situation, verdict, error = settled(
            self.scene, tuning, [(*xy, *velocity)], along_m, self._decide, self._grid_at(tuning, along_m)
        )
        people = exact_people(xy, velocity, math.radians(self.heading_deg.value))
        self._show(situation, verdict, tuning, people=people, error=error)

    def _grid_at(self, tuning, along_m):
        """The exact grid, made anew only when vehicle, grid parameters or place have changed."""
        key = (tuning.freespace, tuning.vehicle, along_m)
        if self._grid is None or self._grid[0] != key:
            self._grid = key, exact_grid(self.scene, tuning, along_m=along_m)
        return self._grid[1]

    def _show_live(self):
        if self.recording is None:
            self._show_settled()
            self.note.value = "Press <b>drive</b>: the loop runs with what is set above."
            return
        row = self.recording.rows[self.cycle.value]
        self._show(
            row, row.verdict, self.recording.tuning, grid=grid_shown(self.recording, self.cycle.value), error=row.error
        )
        speed = f"speed {abs(row.ego.speed_mps):.2f} m/s"
        self.note.value = f"<b>{row.time_s:.2f} s</b>, {speed}; {self._differs()}"

    def _differs(self):
        same = self.recording.tuning.hash == self.panel.tuning.hash
        return f"seed {self.recording.seed}" if same else "the tuning has changed since: drive again"

    def _show(self, moment, verdict, tuning, *, people=None, grid=None, error=""):
        self.verdict = verdict
        self.plan.value = figures.plan_png(
            self.scene,
            tuning,
            moment,
            verdict,
            people=people,
            grid=grid,
            reach=reach_discs(moment.tracks, verdict, tuning),
            window=figures.near_window(self.scene, moment.ego.pose),
        )
        self.plan.remove_class("ak-stale")
        self.answer.value = tables.verdict_html(verdict, error=error)
        self.table.value = tables.checks_html(verdict)

    def _show_stale(self, why):
        """Keep the last answer, but greyed, with what is wrong now."""
        self.plan.add_class("ak-stale")
        if self.verdict is None:
            self.answer.value = f"{tables.STYLE}<p class='ak-trouble'>{html.escape(why)}</p>"
            return
        self.answer.value = tables.verdict_html(self.verdict, error=why, stale=True)

    def drive(self):
        """Drive the closed loop with what is set now, and show it from its first cycle on."""
        from avoidkit.drive import drive

        with self._lock:
            self.go.disabled, self.go.description = True, "driving"
            try:
                xy, velocity = self.person
                scene = self.scene.with_person(GUEST, xy, velocity) if self.joins.value else self.scene
                self.recording = drive(
                    scene, self.panel.tuning, seed=self.seed, decide=self._decide, duration_s=self.seconds.value
                )
                self._open_recording()
            except InputError as error:
                self._show_stale(str(error))
            finally:
                self.go.disabled, self.go.description = False, "drive"

    def _open_recording(self):
        self.play.max = self.cycle.max = max(len(self.recording.rows) - 1, 0)
        self.play.value = self.cycle.value = 0
        figure = style.new_figure(13, 4.2)
        figures.draw_drive(figure, self.recording)
        self.ribbon.value = style.png(figure, dpi=80)
        self.mode.value = "live"
        self._refresh()


def bench(scene, tuning=None, *, time_s=None, plain=False, person_xy=None, velocity=(0.0, 0.0), **more):
    """The bench of one scene and tuning, or of one instant of a recording; the last line of a cell shows it.

    `bench(recording, time_s=12.35)` opens that cycle exactly as it was decided (`MomentCanvas`), to change the
    tuning or, with `decide`, the decision; the recording may be named by its file.

    People and vehicle are dragged on a canvas where anywidget is installed (`CanvasBench`); with `plain`, and where
    it is not, they are moved by sliders (`Bench`). `more`: `decide` and `seed` of either.
    """
    if time_s is not None:
        return _moment(scene, time_s, plain, more)
    if tuning is None:
        raise InputError("bench wants a scene and a tuning, or a recording and time_s")
    if not plain and importlib.util.find_spec("anywidget"):
        from avoidkit.views.canvas import CanvasBench

        xy = person_xy if person_xy is not None else _beside_the_path(scene.reference)
        canvas = CanvasBench(scene, tuning, people=[(*xy, *velocity)], **more)
        canvas.make_plain = lambda **person: Bench(scene, tuning, **person, **more)
        return canvas
    return Bench(scene, tuning, person_xy=person_xy, velocity=velocity, **more)


def _moment(recording, time_s, plain, more):
    """The bench of one recorded cycle: on the canvas where there is one."""
    if not hasattr(recording, "rows"):
        from avoidkit.recording import load_recording

        recording = load_recording(recording)
    if plain or not importlib.util.find_spec("anywidget"):
        from avoidkit.views.moments import MomentBench

        return MomentBench(recording, time_s, **more)
    from avoidkit.views.momentcanvas import MomentCanvas
    from avoidkit.views.moments import MomentBench

    canvas = MomentCanvas(recording, time_s, **more)
    canvas.make_plain = lambda **_person: MomentBench(recording, time_s, **more)
    return canvas


def _beside_the_path(reference):
    pose = reference.pose_at(min(6.0, 0.6 * reference.length_m))
    return round(pose.x_m - 0.4 * math.sin(pose.yaw_rad), 2), round(pose.y_m + 0.4 * math.cos(pose.yaw_rad), 2)


def _slider(name, unit, low, high, value, step):
    digits = 2 if step < 0.1 else 1 if step < 1 else 0
    return widgets.FloatSlider(
        value=value, min=low, max=high, step=step, description=f"{name} ({unit})", continuous_update=False,
        readout_format=f".{digits}f", style={"description_width": "118px"}, layout={"width": "98%"},
    )  # fmt: skip
