"""Sliders made from a tuning's own metadata: unit, bounds, step, meaning and default of each stand beside it.

Which are shown is up to a search field and a choice of groups; every move can be undone; files are in `tuning_files`.
"""

import html

import ipywidgets as widgets

from avoidkit.checks import InputError
from avoidkit.parameters import fields

SHOWN_AT_ONCE = 30  # of the parameters that a search finds or a group holds
FEW, CHANGED = "the chosen few", "what differs from the file"
CHOSEN = (
    "decision.clearance_m",
    "decision.static_clearance_m",
    "vehicle.brake_mps2",
    "vehicle.latency_s",
    "people.standing_accel_mps2",
    "vehicle.top_mps",
)


def bounds_of(info):
    """(low, high) of a bounded parameter, or None where it has none."""
    low = next((rule.ge for rule in info.metadata if hasattr(rule, "ge")), None)
    high = next((rule.le for rule in info.metadata if hasattr(rule, "le")), None)
    return None if low is None or high is None else (low, high)


def has_slider(value, info):
    """Whether a parameter can have a control: a number with bounds, or something to switch."""
    return isinstance(value, bool) or (isinstance(value, int | float) and bounds_of(info) is not None)


def slider_for(name, value, info):
    """The control of one parameter that can have one: a slider within its bounds, or a box to tick."""
    tooltip = f"{name}: {info.description}"
    if isinstance(value, bool):
        return widgets.Checkbox(value=value, indent=False, tooltip=tooltip, layout={"width": "300px"})
    limits = bounds_of(info)
    extra = info.json_schema_extra or {}
    step = extra.get("step") or (limits[1] - limits[0]) / 100
    kind = widgets.IntSlider if isinstance(value, int) else widgets.FloatSlider
    shape = {} if kind is widgets.IntSlider else {"readout_format": f".{max(0, len(f'{step:g}'.partition('.')[2]))}f"}
    return kind(
        value=value,
        min=limits[0],
        max=limits[1],
        step=step,
        continuous_update=False,
        tooltip=tooltip,
        layout={"width": "300px"},
        **shape,
    )


class TuningPanel:
    """Sliders for a tuning: a chosen few at first, any by searching or by group; `on_change(panel)` after each change.

    Attributes
    ----------
    tuning : Tuning
        As the sliders say; the last good one while they say something that does not hold together.
    base : Tuning
        The one that the panel opened with or that was loaded last: what `reset` goes back to.
    problem : str
        Why the present sliders are no tuning; else empty.
    widget : ipywidgets.VBox
    """

    def __init__(self, tuning, *, chosen=CHOSEN, on_change=None):
        from avoidkit.views.tuning_files import TuningFiles

        self.problem, self._on_change, self._past, self._quiet = "", on_change or (lambda panel: None), [], False
        self._begin(tuning)
        unknown = [name for name in chosen if name not in self._fields]
        if unknown:
            raise InputError(f"chosen names no parameter with a slider: {', '.join(unknown)}")
        self._chosen, self._rows, self._sliders = tuple(chosen), {}, {}
        self._make_top()
        self._note, self._list, self.files = widgets.HTML(), widgets.VBox(), TuningFiles(self)
        self.widget = widgets.VBox([self._top, self._list, self._note, self.files.widget])
        self._show()

    def _begin(self, tuning):
        self.base = self.tuning = tuning
        self._fields = {name: (value, info) for name, value, info in fields(tuning) if has_slider(value, info)}

    def _make_top(self):
        self._search = widgets.Text(
            placeholder="search all parameters", layout={"width": "260px"}, continuous_update=True
        )
        sections = list(dict.fromkeys(name.rpartition(".")[0] for name in self._fields))
        options = [FEW, CHANGED, *(section or "whole" for section in sections)]
        self.group = widgets.Dropdown(options=options, description="show", layout={"width": "300px"})
        for control in (self._search, self.group):
            control.observe(self._show, "value")
        self._undo = widgets.Button(description="undo", tooltip="take the last move back", disabled=True)
        self._reset = widgets.Button(
            description="all back to file",
            tooltip="every parameter back to what was opened or loaded",
        )
        self._undo.on_click(lambda _button: self.undo())
        self._reset.on_click(lambda _button: self.reset())
        self._top = widgets.HBox([self._search, self.group, self._undo, self._reset], layout={"flex_flow": "row wrap"})

    @property
    def names(self):
        """All parameters that have a slider, in order of definition."""
        return list(self._fields)

    def slider(self, name):
        """The slider of one parameter by dotted name, made on first use."""
        if name not in self._sliders:
            self._make_row(name)
        return self._sliders[name]

    def search(self, text):
        """Type into the search field."""
        self._search.value = text

    def shown(self):
        """Names of the parameters on show: what the search finds, else those of the group."""
        words = self._search.value.lower().split()
        if not words:
            return self._of_group(self.group.value)
        return [
            name
            for name, (_, info) in self._fields.items()
            if all(word in f"{name} {info.description}".lower() for word in words)
        ]

    def _of_group(self, group):
        if group == FEW:
            return list(self._chosen)
        if group == CHANGED:
            return list(self.changes())
        return [name for name in self._fields if (name.rpartition(".")[0] or "whole") == group]

    def changes(self):
        """{dotted name: value} of what the sliders say otherwise than the file."""
        return {key: slider.value for key, slider in self._sliders.items() if slider.value != self._fields[key][0]}

    def reset(self):
        """Every slider back to the tuning that the panel opened with or loaded; can be undone like any move."""
        moved = {name: slider.value for name, slider in self._sliders.items() if name in self.changes()}
        if moved:
            self._past.append(moved)
            self._set({name: self._fields[name][0] for name in moved})

    def undo(self):
        """Take the last move back; nothing where there was none."""
        if self._past:
            self._set(self._past.pop())

    def take(self, tuning):
        """Begin anew with another tuning, such as one from a file; what was moved before is forgotten."""
        self._begin(tuning)
        self._past.clear()
        self._set({name: self._fields[name][0] for name in self._sliders})

    def _set(self, values):
        """Move several sliders at once, and say so once."""
        self._quiet = True
        for name, value in values.items():
            self.slider(name).value = value
        self._quiet = False
        self._judge()

    def _make_row(self, name):
        value, info = self._fields[name]
        slider = slider_for(name, value, info)
        unit = (info.json_schema_extra or {}).get("unit") or ""
        unit = "" if unit == "1" else unit.replace("^2", "\u00b2")
        meaning = f"<b>{html.escape(name)}</b><br><small>{html.escape(info.description or '')}</small>"
        label = widgets.HTML(f"<div style='line-height:1.3'>{meaning}</div>", layout={"width": "400px"})
        bounds = bounds_of(info)
        within = "" if bounds is None or isinstance(value, bool) else f"{bounds[0]:g} to {bounds[1]:g} {unit}".strip()
        mark = widgets.HTML(layout={"width": "150px"})
        slider.observe(lambda change: self._moved(name, change["old"]), "value")
        self._sliders[name] = slider
        parts = [label, slider, widgets.Label(within, layout={"width": "150px"}), mark]
        self._rows[name] = (widgets.HBox(parts), mark)

    def _show(self, _change=None):
        found = self.shown()
        for name in found[:SHOWN_AT_ONCE]:
            self.slider(name)
        self._list.children = [self._rows[name][0] for name in found[:SHOWN_AT_ONCE]]
        more = len(found) - SHOWN_AT_ONCE
        nothing = "" if found else "nothing found"
        self._say(f"and {more} more: search for a longer word" if more > 0 else nothing)

    def _moved(self, name, before):
        if self._quiet:
            return
        self._past.append({name: before})
        self._judge()

    def _judge(self):
        """What the sliders say now: a tuning, or why they are none; marks beside what differs."""
        changes = self.changes()
        for name, (_, mark) in self._rows.items():
            mark.value = f"<small>file: {self._fields[name][0]:g}</small>" if name in changes else ""
        try:
            self.tuning, self.problem = self.base.replace(changes), ""
        except InputError as error:
            self.problem = str(error)
        self._undo.disabled = not self._past
        self._say(self.problem)
        self._on_change(self)

    def _say(self, text):
        self._note.value = f"<span role='status'>{html.escape(text)}</span>" if text else ""
