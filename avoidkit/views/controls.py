"""Sliders made from a tuning's own metadata: unit, bounds, step, meaning and default of each stand beside it."""

import html

import ipywidgets as widgets

from avoidkit.checks import InputError
from avoidkit.parameters import fields

SHOWN_AT_ONCE = 10  # of the parameters that a search finds
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
    """Sliders for a tuning: a chosen few at first, any by searching; `on_change(panel)` after each change.

    Attributes
    ----------
    tuning : Tuning
        As the sliders say; the last good one while they say something that does not hold together.
    problem : str
        Why the present sliders are no tuning; else empty.
    widget : ipywidgets.VBox
    """

    def __init__(self, tuning, *, chosen=CHOSEN, on_change=None):
        self.base = self.tuning = tuning
        self.problem = ""
        self._on_change = on_change or (lambda panel: None)
        self._fields = {name: (value, info) for name, value, info in fields(tuning) if has_slider(value, info)}
        unknown = [name for name in chosen if name not in self._fields]
        if unknown:
            raise InputError(f"chosen names no parameter with a slider: {', '.join(unknown)}")
        self._chosen, self._rows, self._sliders = tuple(chosen), {}, {}
        self._search = widgets.Text(
            placeholder="search all parameters", layout={"width": "300px"}, continuous_update=True
        )
        self._search.observe(self._show, "value")
        self._reset = widgets.Button(
            description="all back to file", tooltip="every parameter back to the tuning this bench opened with"
        )
        self._reset.on_click(lambda _button: self.reset())
        self._note, self._list = widgets.HTML(), widgets.VBox()
        top = widgets.HBox([self._search, self._reset])
        self.widget = widgets.VBox([top, self._list, self._note])
        self._show()

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
        """Names of the parameters on show: the chosen few, or what the search finds."""
        words = self._search.value.lower().split()
        if not words:
            return list(self._chosen)
        return [
            name
            for name, (_, info) in self._fields.items()
            if all(word in f"{name} {info.description}".lower() for word in words)
        ]

    def reset(self):
        """Every slider back to the tuning that the panel opened with."""
        for name, slider in self._sliders.items():
            slider.value = self._fields[name][0]

    def _make_row(self, name):
        value, info = self._fields[name]
        slider = slider_for(name, value, info)
        unit = (info.json_schema_extra or {}).get("unit") or ""
        unit = "" if unit == "1" else unit.replace("^2", "\u00b2")
        meaning = f"<b>{html.escape(name)}</b><br><small>{html.escape(info.description or '')}</small>"
        label = widgets.HTML(f"<div style='line-height:1.3'>{meaning}</div>", layout={"width": "400px"})
        mark = widgets.HTML(layout={"width": "170px"})
        slider.observe(lambda _change: self._moved(name), "value")
        self._sliders[name] = slider
        self._rows[name] = (widgets.HBox([label, slider, widgets.Label(unit, layout={"width": "45px"}), mark]), mark)

    def _show(self, _change=None):
        found = self.shown()
        for name in found[:SHOWN_AT_ONCE]:
            self.slider(name)
        self._list.children = [self._rows[name][0] for name in found[:SHOWN_AT_ONCE]]
        more = len(found) - SHOWN_AT_ONCE
        nothing = "" if found else "nothing found"
        self._say(f"and {more} more: search for a longer word" if more > 0 else nothing)

    def _moved(self, name):
        value, default = self._sliders[name].value, self._fields[name][0]
        self._rows[name][1].value = "" if value == default else f"<small>file: {default:g}</small>"
        changes = {key: slider.value for key, slider in self._sliders.items() if slider.value != self._fields[key][0]}
        try:
            self.tuning, self.problem = self.base.replace(changes), ""
        except InputError as error:
            self.problem = str(error)
        self._say(self.problem)
        self._on_change(self)

    def _say(self, text):
        self._note.value = f"<span role='status'>{html.escape(text)}</span>" if text else ""
