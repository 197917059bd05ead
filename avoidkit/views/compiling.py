"""The page is told while loops are compiled, so that a bench that waits can say what for."""

import weakref

from avoidkit.jit import on_compiling

_TOLD = weakref.WeakSet()  # benches
_listening = []


def tell_page(bench):
    """From now on tell the page of a bench, at most once a second, that loops are being compiled."""
    bench.tell_page = bench.plan.send
    _TOLD.add(bench)
    if not _listening:
        _listening.append(on_compiling(_tell_all))


def _tell_all():
    for bench in list(_TOLD):
        bench.tell_page({"kind": "compiling"})
