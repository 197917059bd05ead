"""Recordings as one page for a review: question, tunings, evidence with bounds, telling moments, open points."""

import html
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.parameters import write_text
from avoidkit.recording import load_recording
from avoidkit.recording.summary import CAUTION
from avoidkit.studies.telling import AFTER_S, BEFORE_S, evidence_of, open_points, telling_moments
from avoidkit.views.demo import InlineDemo, content_hash, demo_html, demo_policy
from avoidkit.views.rich import recording_html, tuning_html

QUESTION = "Does the vehicle stand when anyone touches it, and does it stand for nothing?"
EVERY = 2  # cycles: what embedded demos show


def review(recordings, path, *, question=QUESTION, points=(), moments=3):
    """Write recordings as one HTML page that opens from disk with the network off.

    Parameters
    ----------
    recordings : sequence of Recording or path
        Drives of several tunings are counted apart.
    path : path
        Of the page; written whole or not at all.
    question : str
        What the review is to answer; stands on top.
    points : sequence of str
        Open points of your own, before those that the kit finds.
    moments : int
        How many of the most telling moments are embedded as demos.

    Raises
    ------
    InputError
        If there is no recording, or one cannot be read.
    """
    write_text(path, review_html(recordings, question=question, points=points, moments=moments))


def review_html(recordings, *, question=QUESTION, points=(), moments=3):
    """The text of the page; see `review`."""
    recordings = [one if hasattr(one, "rows") else load_recording(one) for one in recordings]
    if not recordings:
        raise InputError("recordings must hold at least one recording")
    told = telling_moments(recordings, moments)
    demos = [_demo(recordings[m.index], m) for m in told]
    parts = {
        "What was driven": _driven(recordings),
        "Evidence": _evidence(recordings),
        "The most telling moments": "".join(_moment(recordings, *one) for one in zip(told, demos, strict=True)),
        "Open points": _list([*points, *open_points(recordings)]),
        "Each drive": "".join(recording_html(one) for one in recordings),
    }
    return _PAGE.format(
        policy=demo_policy(content_hash(_STYLE)),
        style=_STYLE,
        question=html.escape(question),
        caution=html.escape(CAUTION),
        body="".join(_part(*part) for part in parts.items()),
    )


def review_frame(recordings, *, height_px=900, **more):
    """The page of a review to look at in a notebook; `more` as in `review`."""
    return InlineDemo(review_html(recordings, **more), "a review", height_px)


def _part(title, inside):
    return f"<section><h2>{html.escape(title)}</h2>{inside}</section>"


def _list(texts):
    return "<ul>" + "".join(f"<li>{html.escape(text)}</li>" for text in texts) + "</ul>"


def _driven(recordings):
    """Scenes and seeds, then each tuning with what differs from the defaults."""
    scenes = {}
    for one in recordings:
        scenes.setdefault(one.scene.title or one.scene.name, []).append(one.seed)
    told = _list([f"{name}: seed{'s' if len(seeds) > 1 else ''} {_seeds(seeds)}" for name, seeds in scenes.items()])
    tunings = {one.tuning.hash: one.tuning for one in recordings}
    versions = sorted({f"{name} {version}" for one in recordings for name, version in one.versions.items()})
    made_by = f"<p class='small'>Made by {html.escape(', '.join(versions))}.</p>"
    return told + "".join(tuning_html(tuning) for tuning in tunings.values()) + made_by


def _seeds(seeds, most=12):
    shown = ", ".join(map(str, sorted(seeds)[:most]))
    return shown if len(seeds) <= most else f"{shown} and {len(seeds) - most} more"


def _evidence(recordings):
    """A column a tuning, a row a rate."""
    found = evidence_of(recordings)
    heads = "".join(f"<th>{html.escape(name)}<br><code>{code}</code></th>" for name, code in found)
    rows = ""
    for what in next(iter(found.values())):
        cells = "".join(f"<td>{html.escape(words[what])}</td>" for words in found.values())
        rows += f"<tr><th>{html.escape(what)}</th>{cells}</tr>"
    note = (
        "Bounds are exact (Clopper and Pearson), for drives drawn independently from one kind of situation; "
        "a rate of 0 in the drives is never a rate of 0."
    )
    return f"<table class='evidence'><tr><th>drives</th>{heads}</tr>{rows}</table><p class='small'>{note}</p>"


def _demo(recording, moment):
    return demo_html(recording, from_s=moment.time_s - BEFORE_S, to_s=moment.time_s + AFTER_S, every=EVERY)


def _moment(recordings, moment, page):
    one = recordings[moment.index]
    where = f"{one.scene.title or one.scene.name}, seed {one.seed}, tuning {one.tuning.name}, at {moment.time_s:.2f} s"
    title = html.escape(f"recorded drive: {where}", quote=True)
    frame = f"<iframe sandbox='allow-scripts' title='{title}' srcdoc=\"{html.escape(page, quote=True)}\"></iframe>"
    return f"<h3>{html.escape(moment.why)}</h3><p>{html.escape(where)}</p>{frame}"


def default_page(recordings):
    """Where the page goes if nothing is said: beside the first recording."""
    first = Path(recordings[0])
    return str(first.with_name(f"{first.stem}_review.html"))


_STYLE = """
html { background: #ffffff; color: #1d2329; font: 18px/1.45 "DejaVu Sans", "Segoe UI", sans-serif; }
body { max-width: 1280px; margin: 0 auto; padding: 0 24px 48px; }
h1 { font-size: 34px; line-height: 1.2; margin: 32px 0 12px; }
h2 { font-size: 25px; margin: 44px 0 8px; border-bottom: 2px solid #5c6670; padding-bottom: 4px; }
h3 { font-size: 20px; margin: 28px 0 2px; }
table { border-collapse: collapse; margin: 8px 0; }
th, td { padding: 5px 14px 5px 0; text-align: left; vertical-align: top; border-bottom: 1px solid #d9dde1; }
.evidence td { font-variant-numeric: tabular-nums; }
.caution { border-left: 8px solid #e69f00; padding: 8px 14px; background: #fff8e6; }
.small { font-size: 15px; color: #5c6670; }
iframe { width: 100%; height: 900px; border: 1px solid #d9dde1; }
code { font-size: 15px; }
@media print { iframe { display: none; } }
"""
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{question}</title>
<style>{style}</style></head>
<body>
<h1>{question}</h1>
<p class="caution">{caution}</p>
{body}
</body></html>
"""
