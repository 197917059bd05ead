"""`avoidkit new`: copy notebooks and data side by side into a folder of the user's own."""

import json
import os
import re
import shutil
from importlib.util import find_spec
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.commands.shared import CAUTION, command, counted, say
from avoidkit.places import home, shipped

KINDS = ("scenes", "tunings", "mappings", "published", "walks")  # evidence and pictures stay
FIRST = "01_wait_or_go_round.ipynb"
LEFT_OUT = (".ipynb_checkpoints", "__pycache__")


def add(commands):
    """The options of this subcommand."""
    made = command(commands, "new", run_new, "copy notebooks and data into a folder of your own", ("work",))
    made.add_argument("folder", metavar="FOLDER", help="the folder to make; it must not be there, or be empty")


def run_new(options):
    """Make the folder, and say what is in it and what to do next."""
    folder = Path(options.folder)
    counts = start(folder)
    told = ", ".join(counted(n, kind) for kind, n in counts.items())
    say(
        f"{folder}: {told}",
        "The notebooks read the scenes and tunings of this folder. Go on with:",
        *how_to_go_on(folder, lab=find_spec("jupyterlab") is not None),
        CAUTION,
    )
    return 0


def how_to_go_on(folder, *, lab):
    """The commands that open the first notebook, as lines; with the installation where JupyterLab is missing.

    Examples
    --------
    >>> how_to_go_on("work", lab=False)[0]
    "  pip install 'avoidkit[lab]'   (JupyterLab is not installed here)"
    """
    install = [] if lab else ["  pip install 'avoidkit[lab]'   (JupyterLab is not installed here)"]
    return [*install, f"  cd {folder} && jupyter lab notebooks/{FIRST}"]


def start(folder):
    """Copy notebooks and data into a folder, whole or not at all; number of files of each kind, as a dict.

    The copied notebooks ask for `mine(kind)` where the kit's own ask for `shipped(kind)`, so that a scene or tuning
    changed here is the one that is used.

    Parameters
    ----------
    folder : path
        Made new; may be there if it is empty.

    Raises
    ------
    InputError
        If the folder holds something already, is a file, or cannot be written.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        what = "is there already, and not empty" if folder.is_dir() else "is a file"
        raise InputError(f"{folder}: {what}; nothing is written over, choose another name")
    if not folder.absolute().parent.is_dir():
        raise InputError(f"{folder}: there is no folder {folder.parent}")
    made = folder.absolute().with_name(f".{folder.absolute().name}.{os.getpid()}.tmp")
    try:
        counts = _fill(made)
        if folder.is_dir():
            folder.rmdir()
        os.replace(made, folder)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written: {error.strerror}") from None
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return counts


def _fill(made):
    """Copy everything into a new folder; what there is of each kind, as {kind: files}."""
    counts, leave_out = {}, shutil.ignore_patterns(*LEFT_OUT, "*.part", "*.tmp")
    made.mkdir()
    shutil.copytree(shipped("notebooks"), made / "notebooks", ignore=leave_out)
    for file in (made / "notebooks").glob("*.ipynb"):
        file.write_text(own_places(file.read_text(encoding="utf-8")), encoding="utf-8")
    counts["notebooks"] = len(list((made / "notebooks").glob("*.ipynb")))
    for kind in KINDS:
        source = home() / "data" / kind
        if source.is_dir():
            shutil.copytree(source, made / "data" / kind, ignore=leave_out)
            counts[kind] = sum(file.is_file() for file in (made / "data" / kind).rglob("*"))
    return counts


def own_places(text):
    """The text of a notebook whose code asks for the user's own folders: `mine` in place of `shipped`.

    Examples
    --------
    >>> cell = {"cell_type": "code", "source": "load_scene(shipped('scenes') / 'a.toml')"}
    >>> json.loads(own_places(json.dumps({"cells": [cell]})))["cells"][0]["source"]
    "load_scene(mine('scenes') / 'a.toml')"
    """
    notebook = json.loads(text)
    for cell in notebook["cells"]:
        source = cell["source"]
        lines = [source] if isinstance(source, str) else source
        lines = [re.sub(r"\bshipped\b", "mine", line) for line in lines]
        cell["source"] = lines[0] if isinstance(source, str) else lines
    return json.dumps(notebook, indent=1, ensure_ascii=False) + "\n"
