"""The settled answer as the sensors would have it: the vehicle stands and watches for a while, then is asked."""

from dataclasses import replace

from avoidkit.decision import halting
from avoidkit.verdict import Hold, Memory
from avoidkit.views.answers import ask_settled
from avoidkit.views.live import LiveLoop

WATCHED_S = 2.5


def watch(scene, tuning, asked, decide, *, seed=1, watched_s=WATCHED_S, guard=lambda piece: piece()):
    """(situation, verdict, error, row): the answer after the radars have watched what was asked about.

    Everybody walks so that they are where the page has them when the time is up. The vehicle stands, nobody presses.

    Parameters
    ----------
    guard : callable
        Calls each piece of work; may raise to give it up, see `IdleWork`.
    """
    seen = {}

    def look(situation, _tuning):
        seen["situation"] = situation
        return halting(situation, "watching")

    people = [(x - vx * watched_s, y - vy * watched_s, vx, vy) for x, y, vx, vy in asked.people]
    loop = guard(lambda: LiveLoop(scene, tuning, seed, look, people=people, along_m=asked.along_m))
    row = None
    for cycle in range(round(watched_s / tuning.cycle_s) + 1):
        now = cycle * tuning.cycle_s
        row = guard(lambda now=now: loop.step(now))
    if row.error:
        return seen.get("situation"), row.verdict, row.error, row
    time_s = seen["situation"].time_s
    situation = replace(seen["situation"], hold=Hold(True, time_s, 2.0), memory=Memory(since_s=time_s))
    verdict, error = guard(lambda: ask_settled(situation, tuning, decide))
    return situation, verdict, error, row
