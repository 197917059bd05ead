"""Where the page does not come to life: sliders and a drawn picture in its place, and back again when it does."""

import asyncio

PLAIN_AFTER_S = 5.0
TURN_S = 0.5  # messages that waited while the kernel was busy are read first


def later(seconds, call):
    """Call something on the kernel's own thread when it is idle again, at the earliest after so many seconds."""
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        return None  # no kernel: nobody looks
    return loop.call_later(seconds, lambda: loop.call_later(TURN_S, call))


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
