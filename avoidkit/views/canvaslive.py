"""Live mode of the canvas bench: the page's words reach the loop, and each cycle of it reaches the page."""

from dataclasses import replace

import numpy as np

from avoidkit.checks import InputError
from avoidkit.views.answers import reach_discs
from avoidkit.views.asked import asked_of
from avoidkit.views.frames import frame_of, packed_grid_of
from avoidkit.views.live import LiveLoop
from avoidkit.views.livedrive import LiveDrive


class LiveSide:
    """What a `CanvasBench` does while its mode is live.

    Messages: `live` with `act` begin, play, pause, step, speed or leave; `word`, up to twenty a second, says whether it
    is held, which cycle was drawn last, and with `put` where the hand has a guest or how they walk on.
    """

    def __init__(self, bench):
        self._bench, self.drive = bench, None
        self._heard = self._word = 0  # numbers of the last place and the last word that reached the loop

    def hear(self, kind, content):
        """One message of the page; the bench's lock is held."""
        if kind == "live":
            self._act(content)
        elif self.drive is None:
            return
        elif kind == "word":
            self._word = int(content.get("number", 0))
            self.drive.hear(bool(content.get("pressed")), content.get("seen", 0))
            self._lead(content.get("put"))
            if not self.drive.playing or self.drive.waits:  # no cycle will say so
                self._bench.plan.send({"kind": "heard", "word": self._word})

    def _lead(self, put):
        """Take a guest to where the hand is, or let them walk on."""
        if not put:
            return
        crowd, index = self.drive.loop.crowd, int(put["index"])
        if "vx" in put:
            crowd.walk(index, [float(put["vx"]), float(put["vy"])])
        else:
            crowd.put(index, [float(put["x"]), float(put["y"])])
        self._heard = int(put.get("number", 0))

    def _act(self, content):
        act = content.get("act")
        if act == "begin":
            self._begin(content)
        elif act == "leave":
            self.close()
            self._bench.mode = "exact"
        elif self.drive is None:
            return
        elif act == "play":
            self.drive.play()
        elif act == "pause":
            self.drive.pause()
            self.drive.tell()
        elif act == "step":
            self.drive.pause()
            self.drive.hear(bool(content.get("pressed")), content.get("seen", 0))
            self.drive.step()
        elif act == "speed":
            self.drive.speed = min(max(float(content["speed"]), 0.1), 4.0)

    def _begin(self, content):
        bench = self._bench
        self.close()
        bench.idle.cancel()
        bench.mode = "live"
        try:
            if bench.panel.problem:
                raise InputError(bench.panel.problem)
            bench.asked = asked_of(content, bench.scene)
            scene, tuning = bench.scene_now(), bench.panel.tuning
            bench.asked.require_standable(scene, tuning)
            where = {"people": bench.asked.people, "along_m": bench.asked.along_m}
            loop = LiveLoop(scene, tuning, bench.seed, bench.decide, **where)
        except InputError as error:
            bench.plan.send({"kind": "live", "number": 0, "playing": False, "problem": str(error)})
            return
        self.drive = LiveDrive(loop, bench.lock, self._show)
        self.drive.step()

    def asked_now(self, asked):
        """What was asked, with guests and vehicle where the loop has them now."""
        row = self.drive.row
        n = len(self.drive.loop.crowd)
        first = len(row.people) - n
        rows = np.hstack([row.people.xy, row.people.velocity])[first:]
        return replace(asked, people=tuple(map(tuple, rows.tolist())), along_m=float(row.reference_along_m))

    def close(self):
        """End the loop that runs, if one does."""
        if self.drive is not None:
            self.drive.close()

    def _show(self, row, number, state):
        bench, tuning = self._bench, state.loop.tuning
        bench.verdict = row.verdict
        reach = reach_discs(row.tracks, row.verdict, tuning)
        frame = frame_of(row, row.verdict, tuning, people=row.people, reach=reach)
        guests = len(state.loop.crowd)
        frame |= {"own": len(row.people) - guests, "pressed": row.hold.pressed, "touch": list(row.contacts)}
        message = {"kind": "live", "number": number, "frame": frame, "along": row.reference_along_m}
        message |= {"playing": state.playing, "note": state.note, "late": round(state.late_s, 3), "grid": None}
        message |= {"heard": self._heard, "word": self._word}
        buffers = []
        if row.grid is not None:
            message["grid"], cells = packed_grid_of(row.grid)
            buffers = [cells]
        bench.plan.send(message, buffers)
