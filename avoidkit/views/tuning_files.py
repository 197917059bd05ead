"""A tuning from and to a file, and how it differs from one: a row under the sliders."""

import html
from pathlib import Path

import ipywidgets as widgets

from avoidkit.checks import InputError
from avoidkit.tuning import load_tuning, save_tuning


class TuningFiles:
    """A file name and three buttons: load, save, differ.

    Parameters
    ----------
    panel : TuningPanel
        Whose tuning is saved, and which takes the one that is loaded.
    """

    def __init__(self, panel):
        self._panel = panel
        self.path = widgets.Text(value="tuning.toml", description="file", continuous_update=False)
        self.over = widgets.Checkbox(value=False, indent=False, description="replace", layout={"width": "90px"})
        self.note = widgets.HTML()
        acts = {"load": self.load, "save": self.save, "differences": self.differ}
        self.buttons = {name: widgets.Button(description=name) for name in acts}
        self.buttons["differences"].tooltip = "how the sliders differ from the file"
        for name, button in self.buttons.items():
            button.on_click(lambda _button, act=acts[name]: self._try(act))
        row = widgets.HBox([self.path, *self.buttons.values(), self.over], layout={"flex_flow": "row wrap"})
        self.widget = widgets.VBox([row, self.note])

    def load(self):
        """Take the tuning of the file; the sliders go to its values. Returns a sentence."""
        tuning = load_tuning(self.path.value)
        self._panel.take(tuning)
        return f"{tuning.name}, hash {tuning.hash}"

    def save(self):
        """Write the tuning as the sliders have it; over an old file only where told. Returns a sentence."""
        path = Path(self.path.value)
        if self._panel.problem:
            raise InputError(self._panel.problem)
        if path.exists() and not self.over.value:
            raise InputError(f"{path}: is there already; tick replace, or choose another name")
        save_tuning(self._panel.tuning, path)
        return f"{path}: saved, hash {self._panel.tuning.hash}"

    def differ(self):
        """How the tuning of the sliders differs from the file's. Returns lines."""
        found = self._panel.tuning.differ(load_tuning(self.path.value))
        lines = [f"{name}: {now} here, {there} in the file" for name, (now, there) in found.items()]
        return "\n".join(lines) or "no difference"

    def _try(self, act):
        try:
            text, kind = act(), ""
        except (InputError, OSError) as error:
            text, kind = str(error), "ak-trouble"
        lines = "<br>".join(html.escape(line) for line in text.split("\n"))
        self.note.value = f"<p role='status' class='{kind}'>{lines}</p>"
