"""Where the kit's own data and notebooks are: beside the package in a clone, inside it when installed."""

from pathlib import Path

from avoidkit.checks import InputError

KINDS = ("scenes", "tunings", "mappings", "published", "evidence", "pictures", "notebooks")


def shipped(kind):
    """The folder of the kit's own data of one kind (see `KINDS`), or of its notebooks.

    Raises
    ------
    InputError
        If there is no such kind, or this copy of the kit does not carry it.

    Examples
    --------
    >>> (shipped("tunings") / "baseline.toml").is_file()
    True
    """
    if kind not in KINDS:
        raise InputError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}")
    folder = home() / ("notebooks" if kind == "notebooks" else f"data/{kind}")
    if not folder.is_dir():
        raise InputError(f"{folder}: this copy of the kit carries no {kind}")
    return folder


def mine(kind):
    """The folder of that kind in the folder where one works, made by `avoidkit new`; else the kit's own, `shipped`.

    Looked for beside `notebooks` in the present folder and the ones above it.
    """
    here = Path.cwd()
    for folder in (here, *here.parents):
        if kind in KINDS and (folder / "notebooks").is_dir() and (folder / "data" / kind).is_dir():
            return folder / "data" / kind
    return shipped(kind)


def home(package=None):
    """The folder that holds `data` and `notebooks`: the root of a clone, or `_shipped` in an installed package."""
    package = Path(__file__).resolve().parent if package is None else Path(package)
    clone = package.parent
    if (clone / "pyproject.toml").is_file() and (clone / "data").is_dir():
        return clone
    return package / "_shipped"
