"""The verdict map under a scene, from coarse to fine: the settled answer for every place of one person.

`python -m avoidkit.views.mapping` is the process that paints it beside the bench: a request a line of JSON comes in, a
batch of squares a line goes out. A newer request, or an empty one, ends the older.
"""

import json
import os
import queue
import sys
import threading
import time

from avoidkit.studies.settled import exact_grid
from avoidkit.views.answers import obstacle_at, settled

SPACINGS_M = (1.6, 0.8, 0.4)
BATCH_S = 0.3
NOBODY = "none"  # nobody can stand there


def squares(window, spacings_m=SPACINGS_M):
    """Yield (x, y, size) of the middles of squares that fill (x0, x1, y0, y1), m, coarse ones first.

    Examples
    --------
    >>> list(squares((0.0, 2.0, 0.0, 1.0), (1.0,)))
    [(0.5, 0.5, 1.0), (1.5, 0.5, 1.0)]
    """
    x0, x1, y0, y1 = window
    for size in spacings_m:
        for row in range(max(1, round((y1 - y0) / size))):
            for column in range(max(1, round((x1 - x0) / size))):
                yield x0 + (column + 0.5) * size, y0 + (row + 0.5) * size, size


def paint(scene, tuning, people, index, along_m, window, decide):
    """Yield (x, y, size, action): the answer with person `index` at each place, the others as they are.

    `action` is `none` where nobody can stand.
    """
    people, grid = [list(person) for person in people], exact_grid(scene, tuning, along_m=along_m)
    for x, y, size in squares(window):
        if obstacle_at(scene, tuning, (x, y), along_m):
            yield x, y, size, NOBODY
            continue
        people[index][:2] = x, y
        _, verdict, _ = settled(scene, tuning, people, along_m, decide, grid)
        yield x, y, size, str(verdict.action)


def request_of(scene, tuning, people, index, along_m, window, number, decide=""):
    """One line for the process."""
    request = {
        "number": number,
        "scene": scene.self_contained().model_dump(mode="json", exclude_none=True),
        "tuning": tuning.model_dump(mode="json"),
        "people": [list(person) for person in people],
        "index": index,
        "along": along_m,
        "window": list(window),
        "decide": decide,
    }
    return json.dumps(request) + "\n"


def painted(request):
    """The squares of a request as plain data."""
    from avoidkit.parameters import validated
    from avoidkit.scene import scene_from
    from avoidkit.tuning import Tuning

    scene, tuning = scene_from(request["scene"], "scene"), validated(Tuning, request["tuning"], "tuning")
    place = (request["people"], request["index"], request["along"], request["window"])
    return paint(scene, tuning, *place, _decision(request["decide"]))


def _decision(name):
    """The kit's decision, or the importable one named `module:function` by whoever opened the bench."""
    import importlib

    module, _, function = (name or "avoidkit.decision:decide").partition(":")
    return getattr(importlib.import_module(module), function)


def batches(found, wanted, batch_s=BATCH_S):
    """Yield lists of squares, one each `batch_s`, until there are no more or `wanted()` is no longer true."""
    batch, since = [], time.monotonic()
    for x, y, size, action in found:
        if not wanted():
            return
        batch.append([round(x, 3), round(y, 3), size, action])
        if time.monotonic() - since > batch_s:
            yield batch
            batch, since = [], time.monotonic()
    yield batch


def main(lines=sys.stdin, out=sys.stdout):
    """Read requests until the kernel closes the line; paint the newest."""
    waiting = queue.Queue()
    threading.Thread(target=_read, args=(lines, waiting), daemon=True).start()
    while (request := _newest(waiting)) is not None:
        if not request.get("scene"):
            continue
        try:
            for batch in batches(painted(request), waiting.empty):
                print(json.dumps({"number": request["number"], "squares": batch, "done": False}), file=out, flush=True)
            if waiting.empty():
                print(json.dumps({"number": request["number"], "squares": [], "done": True}), file=out, flush=True)
        except Exception as error:  # noqa: BLE001  whatever is wrong with a request is said on the page
            said = {"number": request["number"], "squares": [], "done": True, "problem": str(error)[:300]}
            print(json.dumps(said), file=out, flush=True)


def _read(lines, waiting):
    for line in lines:
        waiting.put(json.loads(line))
    waiting.put(None)


def _newest(waiting):
    request = waiting.get()
    while not waiting.empty() and request is not None:
        request = waiting.get()
    return request


if __name__ == "__main__":
    if hasattr(os, "nice"):
        os.nice(5)  # the drag goes first
    main()
