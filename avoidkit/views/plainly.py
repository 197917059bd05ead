"""Where the page does not come to life: sliders and a drawn picture in its place, and back again when it does."""

import asyncio

import ipywidgets as widgets

PLAIN_AFTER_S = 5.0


class Echo:
    """Has the page say something back, by widgets that every page has: what it said before comes first.

    A kernel that is busy reads nothing, so that time alone does not tell a page without the plan from one that waits
    to be heard. Two boxes live on the page as models only; a link between them, which the page follows, answers.

    Parameters
    ----------
    call : callable
        Called once the page has answered.
    """

    def __init__(self, call):
        self._said, self._heard = widgets.IntText(), widgets.IntText()
        self._link = widgets.jsdlink((self._said, "value"), (self._heard, "value"))
        self._heard.observe(lambda _change: call(), "value")

    def ask(self):
        """Say a number that the page has not heard."""
        self._said.value += 1


def later(seconds, call):
    """Call something on the kernel's own thread when it is idle again, at the earliest after so many seconds."""
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        return None  # no kernel: nobody looks
    return loop.call_later(seconds, call)


def plain_unless_it_answers(bench):
    """Show the plain bench in 5 s unless the page shows the plan by then; a page that says nothing gets nothing."""
    bench.echo = Echo(lambda: plain_instead(bench))
    later(PLAIN_AFTER_S, bench.echo.ask)


def plain_instead(bench):
    """Show the plain bench below the canvas bench's note unless the page has answered by now."""
    with bench.lock:
        if bench.answered or bench.make_plain is None:
            return
        x, y, vx, vy = bench.asked.people[0] if bench.asked.people else (None, None, 0.0, 0.0)
        xy = None if x is None else (x, y)
        plain = bench.make_plain(person_xy=xy, velocity=(vx, vy))
        bench.parts = bench.widget.children
        bench.late.value = bench.late.value.replace("ak-late", "ak-trouble")  # seen at once from now on
        bench.widget.children = [bench.late, bench.plan, plain.widget]


def canvas_again(bench):
    """The page has come to life after all: everything back to where it was."""
    if getattr(bench, "parts", None):
        bench.widget.children, bench.parts = bench.parts, None
