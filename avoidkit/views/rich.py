"""What a notebook shows of scene, tuning, verdict and recording: small, every text escaped, no script.

Pictures are SVG of a few kilobytes: the yard from above, the actions of a drive as a strip.
"""

import html
from itertools import groupby

import numpy as np

from avoidkit.checks import InputError
from avoidkit.parameters import Model
from avoidkit.recording import Recording
from avoidkit.recording.summary import summary_lines
from avoidkit.scene import Scene, people_at
from avoidkit.tuning import Tuning
from avoidkit.verdict import Action, Verdict
from avoidkit.views import tables
from avoidkit.views.style import INK, SIGNS, SOFT, YELLOW

MOST_ROWS = 40
WIDE_PX = 460
PATH_EVERY_M = 0.5


def html_of(record):
    """The HTML of one record; a plain paragraph with its `repr` for anything not known here.

    Examples
    --------
    >>> html_of(Tuning()).count("<script")
    0
    """
    for kind, make in (
        (Scene, scene_html),
        (Tuning, tuning_html),
        (Verdict, verdict_html),
        (Recording, recording_html),
    ):
        if isinstance(record, kind):
            return make(record)
    return fields_html(record) if isinstance(record, Model) else f"<p>{html.escape(repr(record))}</p>"


def scene_html(scene):
    """Title, what is in it, and the yard from above."""
    counts = [f"{len(getattr(scene, key))} {word}" for key, word in _WORDS if len(getattr(scene, key))]
    way = scene.reference
    legs = f"path of {way.length_m:.1f} m in {len(scene.path.legs)} leg{'s' if len(scene.path.legs) > 1 else ''}"
    about = ", ".join([*counts, legs, f"{scene.duration_s:g} s"])
    return f"<p><b>{html.escape(scene.title or scene.name)}</b><br>{html.escape(about)}</p>{_yard_svg(scene)}"


_WORDS = (
    ("people", "people"),
    ("walls", "walls"),
    ("parked", "parked vehicles"),
    ("trolleys", "trolleys"),
    ("pillars", "pillars"),
    ("fences", "fences"),
    ("kerbs", "kerbs"),
    ("faults", "faults"),
)


def _yard_svg(scene):
    """The yard from above, y up, as SVG; a bar of 5 m for scale."""
    edges = np.asarray(scene.edges.xy, float).reshape(-1, 2, 2)
    way = scene.reference
    steps = np.append(np.arange(0.0, way.length_m, PATH_EVERY_M), way.length_m)
    line = way.poses_at(steps)[:, :2]
    points = np.vstack([edges.reshape(-1, 2), line])
    low, high = points.min(axis=0) - 0.8, points.max(axis=0) + 0.8
    scale = WIDE_PX / max(high[0] - low[0], 1.0)
    wide, tall = (high - low) * scale

    def at(xy):
        return f"{(xy[0] - low[0]) * scale:.1f},{(high[1] - xy[1]) * scale:.1f}"

    walls, course = " ".join(f"M{at(a)} L{at(b)}" for a, b in edges), " ".join(map(at, line))
    parts = [f'<path d="{walls}" stroke="{INK}" stroke-width="2" fill="none"/>']
    parts.append(f'<polyline points="{course}" stroke="{SOFT}" stroke-width="2" stroke-dasharray="6 4" fill="none"/>')
    for name, xy in _at_first(scene):
        x, y = at(xy).split(",")
        title = f"<title>{html.escape(name)}</title>"
        parts.append(f'<circle cx="{x}" cy="{y}" r="5" fill="{YELLOW}" stroke="{INK}">{title}</circle>')
    bar = 5.0 * scale
    parts.append(f'<path d="M8,{tall - 8:.1f} h{bar:.1f}" stroke="{INK}" stroke-width="3"/>')
    parts.append(f'<text x="{bar + 14:.1f}" y="{tall - 4:.1f}" font-size="12" fill="{INK}">5 m</text>')
    return (
        f'<svg width="{wide:.0f}" height="{tall:.0f}" role="img" aria-label="the yard from above" '
        f'style="background:#fff">{"".join(parts)}</svg>'
    )


def _at_first(scene):
    """(name, place) of everybody at the start; nobody where a file of recorded walks is not here."""
    try:
        people = people_at(scene, 0.0)
    except InputError:
        return []
    return list(zip(people.names, people.xy, strict=True))


def tuning_html(tuning):
    """Name, hash, and every parameter that is not as shipped."""
    plain = Tuning()
    changed = [name for name in tuning.differ(plain) if name != "name"]
    head = f"<p><b>tuning {html.escape(tuning.name)}</b>, hash {tuning.hash}<br>"
    if not changed:
        return f"{head}every parameter as the defaults</p>"
    rows = [(name, *_field(tuning, name), _field(plain, name)[0]) for name in changed[:MOST_ROWS]]
    more = f"<br>and {len(changed) - MOST_ROWS} more" if len(changed) > MOST_ROWS else ""
    told = f"{len(changed)} parameter{'s differ' if len(changed) > 1 else ' differs'} from the defaults{more}"
    table = _table(("parameter", "here", "unit", "default"), rows)
    return f"{head}{told}</p>{table}"


def _field(model, dotted):
    """Value and unit of a field by its dotted name."""
    *sections, last = dotted.split(".")
    for section in sections:
        model = getattr(model, section)
    extra = type(model).model_fields[last].json_schema_extra
    return getattr(model, last), (extra or {}).get("unit", "") if isinstance(extra, dict) else ""


def fields_html(model):
    """The fields of one section or thing: name, value, unit, what it is."""
    fields = list(type(model).model_fields.items())[:MOST_ROWS]
    rows = [(name, *_field(model, name), info.description or "") for name, info in fields]
    return f"<p><b>{html.escape(type(model).__name__)}</b></p>" + _table(("field", "value", "unit", "what it is"), rows)


def _table(heads, rows):
    head = "".join(f"<th style='text-align:left'>{html.escape(text)}</th>" for text in heads)
    body = "".join(
        "<tr>" + "".join(f"<td style='text-align:left'>{html.escape(_short(cell))}</td>" for cell in row) + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _short(value, most=90):
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return text if len(text) <= most else f"{text[: most - 3]}..."


def verdict_html(verdict):
    """Sign, word, cap, why, and every comparison."""
    return tables.verdict_html(verdict) + tables.checks_html(verdict)


def recording_html(recording):
    """What was driven, its actions as a strip, and the summary a line each."""
    scene, tuning = recording.scene, recording.tuning
    head = f"{scene.title or scene.name}; tuning {tuning.name} ({tuning.hash}), seed {recording.seed}"
    lines = "".join(f"<li>{html.escape(line)}</li>" for line in summary_lines(recording.summary()))
    strip = _strip_svg(recording) if len(recording) > 1 else ""
    return f"<p><b>{html.escape(head)}</b><br>{html.escape(repr(recording))}</p>{strip}<ul>{lines}</ul>"


def _strip_svg(recording):
    """The actions over time: one stretch a colour, with its letter where there is room."""
    times, actions = recording.times_s, [Action(str(action)) for action in recording.actions]
    scale = WIDE_PX / max(times[-1] - times[0], 1e-6)
    parts, k = [], 0
    for action, run in groupby(actions):
        n = len(list(run))
        sign, x = SIGNS[action], (times[k] - times[0]) * scale
        k += n
        wide = (times[min(k, len(times) - 1)] - times[0]) * scale - x
        title = f"<title>{html.escape(sign.word)} from {times[k - n]:.2f} s</title>"
        place = f'x="{x:.1f}" y="0" width="{max(wide, 0.5):.1f}" height="22"'
        parts.append(f'<rect {place} fill="{sign.color}">{title}</rect>')
        if wide > 14:
            parts.append(
                f'<text x="{x + wide / 2:.1f}" y="16" font-size="14" font-weight="bold" text-anchor="middle" '
                f'fill="{sign.ink}">{sign.letter}</text>'
            )
    label = f"actions over {recording.duration_s:.1f} s"
    return f'<svg width="{WIDE_PX}" height="22" role="img" aria-label="{label}">{"".join(parts)}</svg>'
