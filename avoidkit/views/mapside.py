"""Asking for the verdict map and handing its squares to the page; a change of the scene ends it."""

import json
import os
import subprocess
import sys
import threading
from pathlib import Path

from avoidkit.views.idle import IdleWork
from avoidkit.views.mapping import batches, paint, request_of


class MapSide:
    """The map of a `CanvasBench`: painted by a process of its own, for a decision from a cell beside the kernel."""

    def __init__(self, bench):
        self._bench, self._process, self._number, self.painting = bench, None, 0, False
        self._beside = IdleWork(bench.lock)

    def hear(self, content):
        """`{"kind": "map", "index": ..., "window": [...]}` begins a map, without `window` it ends."""
        self.cancel()
        window, index = content.get("window"), int(content.get("index", 0))
        bench = self._bench
        if not window or not 0 <= index < len(bench.asked.people) or bench.panel.problem:
            return
        self._number += 1
        self.painting = True
        place = (bench.asked.people, index, bench.asked.along_m, [float(edge) for edge in window])
        name = self._importable()
        if name is None:
            self._paint_beside(place)
            return
        self._write(request_of(bench.scene_now(), bench.panel.tuning, *place, self._number, name))

    def scene_changed(self, before, now):
        """People, things or vehicle are elsewhere: a map that is painted speaks of the past."""
        if self.painting or self._number:
            self.cancel()
            self._bench.plan.send({"kind": "map", "old": True})

    def cancel(self):
        """End the map that is painted."""
        if self.painting:
            self._beside.cancel()
            self._write(json.dumps({}) + "\n")
        self.painting = False

    def close(self):
        """End the process."""
        if self._process is not None:
            self._process.stdin.close()
            self._process.wait(10)
            self._reader.join(10)
            self._process.stdout.close()
            self._process = None

    def _importable(self):
        """Name of the decision for another process: empty for the kit's, None for one that only this kernel has."""
        bench = self._bench
        if not bench.own_decision:
            return ""
        module, name = getattr(bench.decide, "__module__", None), getattr(bench.decide, "__qualname__", "<>")
        here = getattr(sys.modules.get(module), name, None) if module not in (None, "__main__") else None
        return f"{module}:{name}" if here is bench.decide else None

    def _paint_beside(self, place):
        bench, number = self._bench, self._number
        people, index, along_m, window = place

        def job(guard):
            decide = bench.decide
            found = paint(bench.scene_now(), bench.panel.tuning, people, index, along_m, window, decide)
            one_by_one = iter(lambda: guard(lambda: next(found, None)), None)
            for batch in batches(one_by_one, lambda: True):
                self._show({"number": number, "squares": batch, "done": False})

        self._beside.start(job, lambda _result: self._show({"number": number, "squares": [], "done": True}))

    def _write(self, line):
        if self._process is None or self._process.poll() is not None:
            if line.strip() == "{}":
                return
            self._process = _started()
            self._reader = threading.Thread(target=self._read, args=(self._process,), daemon=True)
            self._reader.start()
        self._process.stdin.write(line)
        self._process.stdin.flush()

    def _read(self, process):
        for line in process.stdout:
            self._show(json.loads(line))

    def _show(self, batch):
        if batch["number"] == self._number and self.painting:
            if batch["done"]:
                self.painting = False
            self._bench.plan.send({"kind": "map", **batch})


def _started():
    home = str(Path(__file__).resolve().parents[2])
    paths = os.pathsep.join(filter(None, (home, os.environ.get("PYTHONPATH"))))
    return subprocess.Popen(
        [sys.executable, "-m", "avoidkit.views.mapping"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env=os.environ | {"PYTHONPATH": paths},
    )  # fmt: skip
