"""Save what is on the bench: as a scene, as a test, as a picture, and the last minute as recording and as demo."""

import html
from pathlib import Path

import ipywidgets as widgets

from avoidkit.checks import InputError
from avoidkit.parameters import write_text
from avoidkit.recording.summary import CAUTION
from avoidkit.scene import save_scene
from avoidkit.studies.settled import settle, settled_situation
from avoidkit.tuning import Tuning

KINDS = {
    "scene": ("situation as a scene file", ".toml"),
    "test": ("situation as a test", ".py"),
    "png": ("plan as PNG", ".png"),
    "svg": ("plan as SVG", ".svg"),
    "recording": ("last minute as a recording", ".parquet"),
    "demo": ("last minute as a demo", ".html"),
}

_TEST = '''"""A situation kept from the bench, with the answer that was expected of it.

{caution}
"""

import pytest

from avoidkit import Tuning, decide
from avoidkit.scene import Scene
from avoidkit.studies.settled import settle, settled_situation

SCENE = "\\n".join(
    [
{lines}
    ]
)
TUNING = {tuning}  # what differs from the kit's defaults
PEOPLE = {people}  # x and y in m, vx and vy in m/s
ALONG_M = {along!r}  # the vehicle on its reference path


def test_the_answer_to_the_kept_situation_is_{action}():
    scene, tuning = Scene.from_toml(SCENE), Tuning().replace(TUNING)
    verdict = settle(settled_situation(scene, tuning, PEOPLE, along_m=ALONG_M), tuning, decide=decide)
    assert verdict.action == {action!r}
    assert verdict.speed_cap_mps == pytest.approx({cap!r}, abs=0.005)
'''


def test_text(scene, tuning, people, along_m):
    """The text of a test file with this situation and the kit's present answer to it.

    Every text of the scene stands in it as a string literal, so that no name can become code.
    """
    scene = scene.self_contained()
    verdict = settle(settled_situation(scene, tuning, people, along_m=along_m), tuning)
    lines = "\n".join(f"        {line!r}," for line in scene.to_toml().split("\n"))
    changed = {name: now for name, (now, _) in tuning.differ(Tuning()).items()}
    return _TEST.format(
        caution=CAUTION, lines=lines, tuning=_plain(changed), people=[list(map(float, person)) for person in people],
        along=float(along_m), action=str(verdict.action), cap=round(float(verdict.speed_cap_mps), 4),
    )  # fmt: skip


def _plain(changed):
    """A dict of plain values as Python text; enumerations become their text."""
    import enum

    return {name: str(value) if isinstance(value, enum.Enum) else value for name, value in changed.items()}


test_text.__test__ = False  # pytest: no test of its own


def picture_bytes(scene, tuning, situation, verdict, kind):
    """The plan of a situation as the bytes of a PNG or SVG."""
    import io

    from avoidkit.views import figures, style
    from avoidkit.views.answers import reach_discs

    window = figures.near_window(scene, situation.ego.pose)
    figure = style.new_figure(12.0, 9.0)
    with style.look():
        figures.plan_view(
            figure.add_subplot(), scene, tuning, situation, verdict,
            reach=reach_discs(situation.tracks, verdict, tuning), window=window,
        )  # fmt: skip
        buffer = io.BytesIO()
        figure.savefig(buffer, format=kind, dpi=130)
    return buffer.getvalue()


class KeepPanel:
    """Name, kind and a button; `keep(kind, path)` does the same from a cell.

    Parameters
    ----------
    bench : CanvasBench
    """

    def __init__(self, bench):
        self._bench = bench
        options = [(words, kind) for kind, (words, _) in KINDS.items() if kind in bench.kinds]
        self.kind = widgets.Dropdown(options=options, description="what")
        self.path = widgets.Text(value="kept.toml", description="file", continuous_update=False)
        self.over = widgets.Checkbox(value=False, indent=False, description="replace a file of that name")
        self.go = widgets.Button(description="save", tooltip="write the file beside the notebook")
        self.note = widgets.HTML()
        self.kind.observe(lambda _change: self._rename(), "value")
        self.go.on_click(lambda _button: self._save())
        self.widget = widgets.VBox([widgets.HBox([self.kind, self.path, self.over, self.go]), self.note])

    def _rename(self):
        ending = KINDS[self.kind.value][1]
        stem = Path(self.path.value or "kept").stem.removeprefix("test_")
        self.path.value = f"test_{stem}.py" if ending == ".py" else f"{stem}{ending}"

    def _save(self):
        with self._bench.lock:
            try:
                self._say(self.keep(self.kind.value, self.path.value, over=self.over.value))
            except (InputError, OSError) as error:
                self._say(str(error), wrong=True)

    def _say(self, text, wrong=False):
        kind = "ak-trouble" if wrong else ""
        self.note.value = f"<p role='status' class='{kind}'>{html.escape(text)}</p>"

    def keep(self, kind, path, *, over=False):
        """Write one file; returns a sentence about it. `InputError` where it is there, or nothing was driven."""
        if kind not in self._bench.kinds:
            raise InputError(f"kind must be one of {', '.join(self._bench.kinds)}, got {kind!r}")
        path = Path(path)
        if not path.name or (path.exists() and not over):
            raise InputError(f"{path}: is there already; tick replace, or choose another name")
        bench = self._bench
        with bench.lock:
            return getattr(self, f"_keep_{kind}")(bench, path)

    def _keep_scene(self, bench, path):
        save_scene(bench.scene_with_people(), path)
        return f"{path}: the scene with the people of the bench; the vehicle starts where the scene has it"

    def _keep_test(self, bench, path):
        if bench.own_decision:
            bench.note.value = "The test asks the kit's own decision: import yours in its place."
        asked = bench.asked_now()
        asked.require_standable(bench.scene_now(), bench.panel.tuning)
        text = test_text(bench.scene_now(), bench.panel.tuning, asked.people, asked.along_m)
        write_text(path, text)
        return f"{path}: run it with pytest; it expects the kit's answer as it is now, by exact knowledge"

    def _keep_png(self, bench, path):
        return self._keep_picture(bench, path, "png")

    def _keep_svg(self, bench, path):
        return self._keep_picture(bench, path, "svg")

    def _keep_picture(self, bench, path, kind):
        live = bench.mode == "live" and bench.live.drive is not None
        moment = bench.live.drive.row if live else bench.situation
        if moment is None:
            raise InputError("there is no answer to draw yet")
        if bench.verdict is None or bench.panel.problem:
            raise InputError("what is set now cannot be judged, so there is nothing to draw")
        path.write_bytes(picture_bytes(bench.scene_now(), bench.panel.tuning, moment, bench.verdict, kind))
        return f"{path}: the plan as it was answered last"

    def _keep_recording(self, bench, path):
        recording = self._last_minute(bench)
        recording.save(path)
        return f"{path}: {recording.duration_s:.1f} s. {CAUTION}"

    def _keep_demo(self, bench, path):
        from avoidkit.views.demo import export_demo

        recording = self._last_minute(bench)
        export_demo(recording, path)
        return f"{path}: {recording.duration_s:.1f} s, opens in a browser as it is"

    @staticmethod
    def _last_minute(bench):
        live = bench.live.drive and bench.live.drive.recording()
        recording = live or bench.recording
        if recording is None:
            raise InputError("nothing was driven yet: choose live, or drive this")
        return recording
