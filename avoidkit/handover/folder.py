"""The folder that is handed over: frozen tuning, parameter table, vectors with schemas, a runner, and a first page."""

import json
from pathlib import Path

from avoidkit import __version__
from avoidkit.checks import InputError
from avoidkit.handover.cases import changes_for, inputs_for
from avoidkit.handover.functions import FUNCTIONS
from avoidkit.handover.pages import parameters_csv, parameters_markdown, readme
from avoidkit.handover.schemas import schema_of
from avoidkit.handover.wire import PROTOCOL, plain
from avoidkit.parameters import write_text
from avoidkit.recording import CAUTION
from avoidkit.tuning import tuning_toml


def write_handover(tuning, out, *, force=False):
    """Write the whole hand-over of a tuning.

    Parameters
    ----------
    tuning : Tuning
    out : path
        A folder that is new or empty; with `force` the files of an older hand-over in it are replaced.
    force : bool

    Returns
    -------
    dict of str to int
        How many vectors each function has.

    Raises
    ------
    InputError
        If there is something in the folder already, or it cannot be written.
    """
    out = _made(Path(out), force)
    files = {}
    counts = {}
    for name in FUNCTIONS:
        content = vectors_of(name, tuning)
        counts[name] = len(content["vectors"])
        files[f"vectors/{name}.json"] = _spread(content)
        files[f"schemas/{name}.schema.json"] = json.dumps(schema_of(name), indent=1) + "\n"
    files |= {
        "tuning.toml": tuning_toml(tuning),
        "tuning.json": json.dumps(tuning.model_dump(mode="json"), indent=1) + "\n",
        "parameters.csv": parameters_csv(tuning),
        "parameters.md": parameters_markdown(tuning),
        "check.py": (Path(__file__).parent / "runner.py").read_text(encoding="utf-8"),
        "README.md": readme(tuning, counts, __version__),
    }
    for name, text in files.items():
        write_text(out / name, text)
    return counts


def vectors_of(name, tuning):
    """The vectors of one function as the plain content of its file."""
    one, changes = FUNCTIONS[name], changes_for(name, tuning)
    used = tuning.replace(changes) if changes else tuning
    vectors = []
    for case, value in inputs_for(name, used).items():
        vector = {"name": case, "input": value}
        try:
            vectors.append(vector | {"output": plain(one.call(used, value, {}))})
        except InputError:
            vectors.append(vector | {"refused": True})
    return {
        "function": name, "doc": one.doc, "caution": CAUTION, "protocol": PROTOCOL, "tuning_hash": used.hash,
        "tuning_changes": changes, "tolerance": {"absolute": one.absolute, "relative": one.relative},
        "vectors": vectors,
    }  # fmt: skip


def _spread(content):
    """JSON text with a line a vector, so that a changed one shows as one changed line."""
    head = {key: value for key, value in content.items() if key != "vectors"}
    lines = ",\n".join(json.dumps(vector, separators=(",", ":"), allow_nan=False) for vector in content["vectors"])
    return json.dumps(head, indent=1)[:-2] + ',\n "vectors": [\n' + lines + "\n]\n}\n"


def _made(out, force):
    if out.exists() and not out.is_dir():
        raise InputError(f"{out}: is a file, a folder was wanted")
    if out.is_dir() and any(out.iterdir()) and not force:
        raise InputError(f"{out}: is not empty; choose another folder, or say --force to replace an older hand-over")
    try:
        for folder in (out, out / "vectors", out / "schemas"):
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{out}: cannot be made: {error.strerror}") from None
    return out
