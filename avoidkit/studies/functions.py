"""Functions of the user on their way to a worker, and what a manifest says of them.

A function travels by value, as cloudpickle bytes with every task, so that a running pool never answers with an older
version. The bytes go to our own workers only; nothing of the kind is ever read from a file.
"""

import hashlib
import inspect
import sys
from contextlib import contextmanager
from functools import partial

import numpy as np

LONGEST = 200  # of a captured value that a manifest shows; longer ones by their hash


def packed(functions):
    """The cloudpickle bytes of a dict of functions and classes; those of modules outside the kit go by value.

    A module that was reloaded in this process, or that a worker elsewhere does not have, is no obstacle then.
    """
    import cloudpickle

    with _by_value(functions.values()):
        return cloudpickle.dumps(dict(functions))


def unpacked(data):
    """What `packed` made bytes of: fresh copies, so that nothing is carried over from one task to the next."""
    import cloudpickle

    return cloudpickle.loads(data)


def described(function):
    """What a function is, as plain data: name, source text, and the values that it captured.

    Examples
    --------
    >>> described(partial(max, 0.3))["captured"]
    {'0': '0.3'}
    """
    if isinstance(function, partial):
        inner = described(function.func)
        given = {str(k): _shown(v) for k, v in (*enumerate(function.args), *function.keywords.items())}
        return inner | {"captured": inner["captured"] | given}
    name = f"{getattr(function, '__module__', '')}.{getattr(function, '__qualname__', type(function).__qualname__)}"
    if name.startswith("avoidkit."):
        return {"name": name, "source": "the kit's own", "captured": {}}
    return {"name": name, "source": _source(function), "captured": _captured(function, set())}


@contextmanager
def _by_value(functions):
    import cloudpickle

    names = {getattr(getattr(f, "func", f), "__module__", None) for f in functions}
    modules = [sys.modules[name] for name in names if name in sys.modules and _is_the_users(sys.modules[name])]
    before = cloudpickle.list_registry_pickle_by_value()
    modules = [module for module in modules if module.__name__ not in before]
    for module in modules:
        cloudpickle.register_pickle_by_value(module)
    try:
        yield
    finally:
        for module in modules:
            cloudpickle.unregister_pickle_by_value(module)


def _is_the_users(module):
    top, file = module.__name__.split(".")[0], getattr(module, "__file__", None) or ""
    return top not in ("avoidkit", "__main__", *sys.stdlib_module_names) and "site-packages" not in file


def _source(function):
    try:
        return inspect.getsource(
            function if inspect.isroutine(function) or inspect.isclass(function) else type(function)
        )
    except (OSError, TypeError):  # typed into a plain prompt: the compiled code says as much
        code = getattr(function, "__code__", None)
        return "unknown" if code is None else _hash(code.co_code + repr(code.co_consts).encode())


def _captured(function, seen):
    """Names and values from outside that a function's text speaks of, functions among them with their own source."""
    methods = [m for m in vars(function).values() if inspect.isfunction(m)] if inspect.isclass(function) else [function]
    found = {}
    for method in (m for m in methods if inspect.isfunction(m) and m not in seen):
        seen.add(method)
        outside = inspect.getclosurevars(method)
        for name, value in (outside.globals | outside.nonlocals).items():
            if inspect.ismodule(value):
                continue
            if (inspect.isfunction(value) or inspect.isclass(value)) and _is_mine(value):
                found[name] = _hash(_source(value).encode())
                found |= {f"{name}.{k}": v for k, v in _captured(value, seen).items()}
            else:
                found[name] = _shown(value)
        found |= {f"default {k}": _shown(v) for k, v in enumerate(method.__defaults__ or ())}
        found |= {f"default {k}": _shown(v) for k, v in (method.__kwdefaults__ or {}).items()}
    return dict(sorted(found.items()))


def _is_mine(value):
    module = sys.modules.get(value.__module__)
    return module is not None and (module.__name__ == "__main__" or _is_the_users(module))


def _shown(value):
    """A value as text that is the same in every process: no addresses, no cut-off arrays."""
    if isinstance(value, np.ndarray):
        return f"array {value.dtype} {value.shape} {_hash(np.ascontiguousarray(value).tobytes())}"
    if inspect.isroutine(value) or inspect.isclass(value):
        return f"{value.__module__}.{value.__qualname__}"
    text = repr(value)
    if " at 0x" in text:
        return f"a {type(value).__qualname__}"
    return text if len(text) <= LONGEST else f"{text[:40]}... {_hash(text.encode())}"


def _hash(data):
    return hashlib.sha256(data).hexdigest()[:12]
