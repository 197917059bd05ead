"""A recorded drive as one HTML file: no network, no kernel, nothing beside it. Scrub, play, step, read the reasons."""

import base64
import hashlib
import html
import json
import re
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.parameters import write_text
from avoidkit.views.answers import grid_shown, reach_discs
from avoidkit.views.frames import frame_of, grid_of, runs_of, way_of, yard_of

HERE = Path(__file__).parent
SCRIPTS = ("plan.js", "cells.js", "messages.js", "panel.js", "state.js", "tips.js", "ribbon.js", "player.js")
CAUTION = (
    "Recorded from a desk prototype with simulated sensors. It is not evidence of safety, and nothing here belongs "
    "on a vehicle without the responsible engineers, the applicable standards and local law."
)


def export_demo(recording, path, *, from_s=None, to_s=None, every=1):
    """Write a recorded drive, or a part of it, as one HTML file that opens from disk with the network off.

    Parameters
    ----------
    recording : Recording, or a sequence of two
        Two are shown side by side with one clock, such as one drive with two tunings.
    path : path
        Of the HTML file; written whole or not at all.
    from_s, to_s : float or None
        The part to show, s; None: from the first row, to the last.
    every : int
        Keep every so many cycles.

    Raises
    ------
    InputError
        If no row is left to show.
    """
    write_text(path, demo_html(recording, from_s=from_s, to_s=to_s, every=every))


def demo_html(recording, **part):
    """The text of the page; see `export_demo`."""
    data = demo_data(recording, **part)
    script, style = _script_and_style()
    return _PAGE.format(
        policy=demo_policy(), title=html.escape(data["title"]), style=style, data=embedded(data), script=script
    )


def demo_policy(*styles):
    """What a page with demos may load: their script, their style and other styles by hash, and nothing else.

    A page that embeds demos needs it as well: a frame without an address keeps to the policy of the page around it.
    """
    script, style = _script_and_style()
    allowed = " ".join(f"'{one}'" for one in (content_hash(style), *styles))
    return f"default-src 'none'; script-src '{content_hash(script)}'; style-src {allowed}; {_NOWHERE}"


def _script_and_style():
    style = f"{(HERE / 'plan.css').read_text(encoding='utf-8')}\n{_PAGE_STYLE}"
    return f"{bundle(*SCRIPTS)}\n{_START}", style


_NOWHERE = "base-uri 'none'; form-action 'none'"
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{style}</style></head>
<body>
<main id="demo"><noscript>This page plays a recorded drive with a script of its own.</noscript></main>
<script type="application/json" id="data">{data}</script>
<script type="module">{script}</script>
</body></html>
"""
_START = "mountPlayer(document.getElementById('demo'), JSON.parse(document.getElementById('data').textContent));\n"
_PAGE_STYLE = (
    "html, body { margin: 0; background: #ffffff; }\n"
    "@media (prefers-color-scheme: dark) { html, body { background: #181d21; } }\n"
)


def demo_data(recording, **part):
    """What the player plays, as plain data; of two recordings a `demos` each, with one title."""
    if hasattr(recording, "rows"):
        return _one(recording, **part)
    recording = list(recording)
    demos = [_one(each, **part) for each in recording]
    if not 1 <= len(demos) <= 2:
        raise InputError(f"one or two recordings were wanted, got {len(demos)}")
    if len(demos) == 1:
        return demos[0]
    return {
        "title": demo_title(recording),
        "about": "Two recorded drives with one clock.",
        "caution": CAUTION,
        "demos": demos,
    }


def _one(recording, *, from_s=None, to_s=None, every=1):
    """One recording as plain data: frames with shared texts, paths and grids kept once."""
    first = -float("inf") if from_s is None else from_s
    last = float("inf") if to_s is None else to_s
    rows = [row for row in recording.rows if first - 1e-9 <= row.time_s <= last + 1e-9]
    shared = _Shared(recording)
    grid, frames = -1, []
    for k, row in enumerate(rows):
        if row.grid is not None:
            grid = shared.grid(row.grid)
        if k % every == 0:
            frames.append(shared.frame(row) | {"grid": grid})
    if not frames:
        raise InputError(f"from_s {from_s}, to_s {to_s}: no recorded row lies between")
    scene, tuning = recording.scene, recording.tuning
    about = (
        f"Scene {scene.name}, seed {recording.seed}; tuning {tuning.name}, hash {tuning.hash}; recorded with avoidkit"
    )
    return {
        "title": scene.title or scene.name,
        "about": f"{about} {recording.versions.get('avoidkit', '')}".strip(),
        "caution": CAUTION,
        "yard": yard_of(scene, tuning),
        "texts": shared.texts,
        "paths": shared.paths,
        "grids": shared.grids,
        "frames": frames,
    }


class _Shared:
    """Texts, paths and grids that many frames share, each kept once and referred to by number."""

    def __init__(self, recording):
        self._tuning = recording.tuning
        self.texts, self.paths, self.grids = [], [], []
        self._text_of, self._path_of = {}, {}

    def text(self, text):
        if text not in self._text_of:
            self._text_of[text] = len(self.texts)
            self.texts.append(text)
        return self._text_of[text]

    def path(self, path):
        key = (path.name, len(path), float(path.x_m[-1]), float(path.y_m[-1]))
        if key not in self._path_of:
            self._path_of[key] = len(self.paths)
            self.paths.append(way_of(path))
        return self._path_of[key]

    def grid(self, grid):
        place, cells = grid_of(grid)
        self.grids.append(place | {"runs": runs_of(cells)})
        return len(self.grids) - 1

    def frame(self, row):
        verdict = row.verdict
        frame = frame_of(
            row, verdict, self._tuning, people=row.people, reach=reach_discs(row.tracks, verdict, self._tuning)
        )
        from_m = row.along_m if row.path == verdict.path.name else 0.0
        way = self.path(verdict.path)
        start = min(int(from_m / 0.25), max(len(self.paths[way]) - 2, 0))
        checks = [[self.text(c[0]), self.text(c[1]), c[2], c[3], self.text(c[4]), c[5], c[6]] for c in frame["checks"]]
        turn = frame["turn"] and [self.text(frame["turn"][0]), self.text(frame["turn"][1]), *frame["turn"][2:]]
        return frame | {
            "path": [way, start],
            "candidates": [self.path(path) for path in verdict.candidates],
            "checks": checks,
            "turn": turn,
            "people": [[*person[:8], self.text(person[8])] for person in frame["people"]],
            **{key: self.text(frame[key]) for key in ("why", "error")},
        }


def bundle(*names):
    """Our own modules as one, in this order: imports of each other are left out, nothing else is changed."""
    texts = [(HERE / name).read_text(encoding="utf-8") for name in names]
    return "\n".join(re.sub(r"^import \{[^}]*\} from '\./[a-z]+\.js';\n", "", text, flags=re.M) for text in texts)


def embedded(data):
    """JSON that can stand inside a script element: no `<` is left in it."""
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def content_hash(text):
    """The hash by which a policy lets a script or a style in."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


class InlineDemo:
    """The demo inside a notebook: a sandboxed frame with scripts, but without the notebook's origin.

    Below it stands a sentence, and behind that a still picture, for exports that drop frames.
    """

    def __init__(self, page, title, height_px, still=b""):
        self._page, self._title, self._height_px, self._still = page, title, int(height_px), still

    def _repr_html_(self):
        page, title = html.escape(self._page, quote=True), html.escape(self._title, quote=True)
        style = f"width:100%;height:{self._height_px}px;border:0"
        return (
            f'<iframe sandbox="allow-scripts" srcdoc="{page}" style="{style}" title="recorded drive: {title}"></iframe>'
            + self._still_html(title)
        )

    def _still_html(self, title):
        if not self._still:
            return ""
        data = base64.b64encode(self._still).decode("ascii")
        return (
            f"<details><summary>{_DROPPED}</summary>"
            f'<img alt="one instant of the recorded drive: {title}" src="data:image/png;base64,{data}"></details>'
        )


_DROPPED = (
    "No player above? This page drops frames, or the notebook is not trusted: here is one instant; "
    "<code>avoidkit demo</code> writes the whole drive as a page of its own."
)


def demo_frame(recording, *, height_px=820, still=True, **part):
    """A recorded drive, or a part of it as in `export_demo`, to look at in a notebook; it survives export to HTML.

    Parameters
    ----------
    recording : Recording, or a sequence of two
    height_px : int
    still : bool
        Put a picture of one instant beside it, for where frames are dropped.
    """
    first = recording if hasattr(recording, "rows") else next(iter(recording))
    picture = _still_png(first, part.get("from_s")) if still else b""
    return InlineDemo(demo_html(recording, **part), demo_title(recording), height_px, picture)


def _still_png(recording, from_s):
    """A small picture of the instant that matters most: the first after the start that is no plain going on."""
    from avoidkit.verdict import Action
    from avoidkit.views import figures

    begin = recording.index_at(from_s) if from_s is not None else 0
    told = (k for k in range(begin, len(recording)) if recording.rows[k].verdict.action in (Action.DETOUR, Action.HALT))
    index = next(told, begin)
    row = recording.rows[index]
    window = figures.near_window(recording.scene, row.ego.pose)
    grid = grid_shown(recording, index)
    return figures.plan_png(recording.scene, recording.tuning, row, grid=grid, window=window, dpi=60)


def demo_title(recording):
    """The title of a demo of one or two recordings."""
    each = [recording] if hasattr(recording, "rows") else recording
    return " and ".join(dict.fromkeys(one.scene.title or one.scene.name for one in each))
