"""The verdict in words and numbers, as HTML for the bench; every text is escaped."""

import html
import math

from avoidkit.views.style import INK, ORANGE, SIGNS, SOFT

CLASS_OF_MARKER = {"o": "ak-round", "D": "ak-diamond", "s": "ak-square", "8": "ak-octagon"}
STYLE = f"""<style>
.ak-verdict {{font: 16px/1.35 sans-serif; color: var(--jp-content-font-color0, {INK})}}
.ak-verdict p {{margin: .5em 0}}
.ak-head {{display: flex; align-items: center; gap: 14px; font-size: 17px; line-height: 1.25}}
.ak-head b {{font-size: 23px}}
.ak-sign {{display: inline-flex; width: 46px; height: 46px; flex: none; align-items: center; justify-content: center;
  font: bold 26px sans-serif}}
.ak-round {{border-radius: 50%}}
.ak-diamond {{transform: rotate(45deg) scale(.8)}}
.ak-diamond i {{transform: rotate(-45deg)}}
.ak-octagon {{clip-path: polygon(30% 0, 70% 0, 100% 30%, 100% 70%, 70% 100%, 30% 100%, 0 70%, 0 30%)}}
.ak-sign i {{font-style: normal}}
.ak-trouble {{border-left: 6px solid {ORANGE}; padding-left: 8px}}
.ak-stale {{opacity: .4; filter: grayscale(1)}}
.ak-checks {{font: 14px/1.4 sans-serif; border-collapse: collapse; width: 100%;
  color: var(--jp-content-font-color0, {INK})}}
.ak-checks th, .ak-checks td {{padding: 2px 9px; text-align: right; white-space: nowrap}}
.ak-checks th {{border-bottom: 2px solid {SOFT}}}
.ak-checks .ak-name {{text-align: left; white-space: normal}}
.ak-checks .ak-fails {{font-weight: bold}}
.ak-checks .ak-settles td {{border-top: 2px solid; border-bottom: 2px solid}}
</style>"""


_INFINITE = {(False, True): "no limit", (False, False): "below all", (True, True): "never", (True, False): "none"}


def number(value, unit=""):
    """Two decimals and the unit; words where it is infinite or not known. An age of what never came is "never".

    Examples
    --------
    >>> number(0.8342, "m"), number(float("inf"), "m"), number(float("inf"), "s"), number(float("nan"))
    ('0.83 m', 'no limit', 'never', 'unknown')
    """
    if math.isnan(value):
        return "unknown"
    if math.isinf(value):
        return _INFINITE[unit == "s", value > 0]
    text = f"{value:.2f}" if abs(value) < 100 else f"{value:.0f}"
    return f"{text} {'' if unit == '1' else unit}".strip()


def badge_html(action):
    """The sign of an action: its letter in its shape."""
    sign = SIGNS[action]
    shape = CLASS_OF_MARKER[sign.marker]
    return f"<span class='ak-sign {shape}' style='background:{sign.color};color:{sign.ink}'><i>{sign.letter}</i></span>"


def verdict_html(verdict, *, error="", stale=False):
    """Sign, word, speed cap, one sentence why, what would turn it, and what went wrong, if anything did."""
    cap = f"up to {verdict.speed_cap_mps:.2f} m/s" if verdict.speed_cap_mps > 0 else "speed 0"
    lines = [verdict.why, turn_words(verdict.turn) if verdict.turn else ""]
    words = "".join(f"<p>{html.escape(line)}</p>" for line in lines if line)
    trouble = f"<p class='ak-trouble'>{html.escape(error)}</p>" if error else ""
    old = "<p class='ak-trouble'>This answer is old: what is set now cannot be judged.</p>" if stale else ""
    faded = " class='ak-stale'" if stale else ""
    return (
        f"{STYLE}<div class='ak-verdict' role='status' aria-live='polite' data-action='{verdict.action}'>{trouble}{old}"
        f"<div{faded}><div class='ak-head'>{badge_html(verdict.action)}"
        f"<span><b>{SIGNS[verdict.action].word}</b><br>{cap}</span></div>{words}</div></div>"
    )


def turn_words(turn):
    """What would turn the verdict, in words."""
    then = f"{turn.quantity} from {number(turn.now, turn.unit)} to {number(turn.then, turn.unit)}"
    return f"It would turn to {SIGNS[turn.becomes].word} with {then}."


def checks_html(verdict):
    """Every comparison in the order made: needed, found, slack; the one that settled it is framed."""
    heads = "".join(f"<th{side}>{name}</th>" for name, side in _HEADS)
    framed = settling(verdict)
    rows = "".join(_check_row(check, k == framed) for k, check in enumerate(verdict.checks))
    return f"<table class='ak-checks'><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"


def settling(verdict):
    """Index of the check that settled a verdict, of several of that name the one that holds least; -1 for none."""
    named = [(check.slack, k) for k, check in enumerate(verdict.checks) if check.name == verdict.settled_by]
    return min(named, default=(0.0, -1))[1]


_LEFT = " class='ak-name'"
_HEADS = (("", ""), ("check", _LEFT), ("needed", ""), ("found", ""), ("slack", ""), ("of what", _LEFT))


def _check_row(check, settles):
    word, mark = ("holds", "&#10003;") if check.holds else ("fails", "&#10007;")
    limit = "at most" if check.at_most else "at least"
    needed, found, slack = (html.escape(number(x, check.unit)) for x in (check.needed, check.found, check.slack))
    return (
        f"<tr class='ak-{word}{' ak-settles' if settles else ''}'><td aria-label='{word}' title='{word}'>{mark}</td>"
        f"<td class='ak-name'>{html.escape(check.name.replace('_', ' '))}</td>"
        f"<td><small>{limit}</small> {needed}</td><td>{found}</td><td>{slack}</td>"
        f"<td class='ak-name'>{html.escape(check.about)}</td></tr>"
    )
