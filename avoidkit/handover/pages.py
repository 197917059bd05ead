"""Pages of the hand-over: the table of parameters as CSV and Markdown, and the first page with its cautions."""

import csv
import io

from avoidkit.handover.records import SIGNS_OF_CELLS
from avoidkit.parameters import fields
from avoidkit.recording import CAUTION
from avoidkit.studies.spread import harmless
from avoidkit.tuning import Tuning

HEADS = ("parameter", "value", "unit", "low", "high", "default", "changed", "meaning", "source of the default")


def parameter_rows(tuning):
    """One dict per parameter: name, value, unit, bounds, default, whether it was changed, meaning, source."""
    defaults = {name: value for name, value, _ in fields(Tuning())}
    rows = []
    for name, value, info in fields(tuning):
        extra = info.json_schema_extra or {}
        low = next((m.ge for m in info.metadata if hasattr(m, "ge")), "")
        high = next((m.le for m in info.metadata if hasattr(m, "le")), "")
        changed = "yes" if value != defaults[name] else ""
        told = (name, value, extra.get("unit") or "", low, high, defaults[name], changed)
        rows.append(dict(zip(HEADS, (*told, info.description or "", extra.get("source") or ""), strict=True)))
    return rows


def parameters_csv(tuning):
    """The table as CSV, the caution as its last row; text that a spreadsheet would take for a formula is quoted."""
    out = io.StringIO()
    writer = csv.DictWriter(out, HEADS, lineterminator="\n")
    writer.writeheader()
    for row in parameter_rows(tuning):
        writer.writerow({key: harmless(value) for key, value in row.items()})
    writer.writerow(dict.fromkeys(HEADS, "") | {"parameter": "caution", "meaning": CAUTION})
    return out.getvalue()


def parameters_markdown(tuning):
    """The table as Markdown."""
    lines = [
        f"# Parameters of {_cell(tuning.name)} ({tuning.hash})",
        "",
        CAUTION,
        "",
        "| " + " | ".join(HEADS) + " |",
        "|" + "---|" * len(HEADS),
    ]
    lines += ["| " + " | ".join(_cell(value) for value in row.values()) + " |" for row in parameter_rows(tuning)]
    return "\n".join(lines) + "\n"


def _cell(value):
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return text.replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;").replace("\n", " ")


def readme(tuning, counts, version):
    """The first page: cautions, what is in the folder, and how an implementation is checked."""
    table = "\n".join(f"| `{name}` | {count} |" for name, count in counts.items())
    signs = "\n".join(f"| `{sign}` | {words} |" for sign, words in SIGNS_OF_CELLS.items())
    name = _cell(tuning.name)
    return TEXT.format(
        name=name,
        hash=tuning.hash,
        version=version,
        caution=CAUTION,
        table=table,
        total=sum(counts.values()),
        signs=signs,
    )


TEXT = """# Hand-over of the tuning {name} ({hash})

**{caution}**

- That an implementation agrees with these vectors says that it computes what the desk prototype computes. It does not
  say that this is right, nor that it is enough: no claim of conformity to any standard is made.
- Many parameters are placeholders; `parameters.md` says of each where its default comes from.
- The sensors behind these numbers were simulated. Risks that are known and remain: somebody who walks unseen in a blind
  wedge beside the vehicle; somebody who steps out of a shadow right beside the creeping vehicle; somebody who stood,
  was lost from sight while the vehicle passed, and starts to walk; sensors that are faulty without saying so.
- Halt is what is left when nothing else was proved. An implementation has to keep that: whatever is missing, stale,
  of a time to come, not finite or unknown is never free.

Made by avoidkit {version}.

## What is here

| file | what it is |
|---|---|
| `tuning.toml`, `tuning.json` | the frozen tuning, whole; its hash is over all values but the name |
| `parameters.csv`, `parameters.md` | every parameter with value, unit, bounds, default, meaning and source |
| `vectors/NAME.json` | inputs and outputs of one function, with the tolerance; a line a vector |
| `schemas/NAME.schema.json` | the JSON schema of such a file, with every record |
| `check.py` | checks any implementation against the vectors; needs Python 3.9 and nothing else |

| function | vectors |
|---|---|
{table}

## Check an implementation

    python check.py -- ./my_implementation --its-options
    python check.py --kit

The program reads a line of JSON from stdin and writes one to stdout, until stdin ends:

    {{"id": 1, "call": "begin", "input": {{"protocol": 1, "tuning_hash": "...", "tuning": {{...}}}}}}
    {{"id": 1, "output": {{"ready": true}}}}
    {{"id": 2, "call": "stop_distance", "input": {{"speed_mps": 1.0, ...}}}}
    {{"id": 2, "output": {{"distance_m": 0.32, "time_s": 0.45}}}}

- `begin` comes before the vectors of each function, and again at each new drive. `tuning_changes` of a file of vectors
  is already in the tuning that `begin` brings: the vectors of `grid_update` use a grid of at most 40 x 40 cells.
- An input that is none (not finite where it has to be, an unknown word) is answered with
  `{{"id": 2, "refused": "why"}}`; a vector with `"refused": true` wants that.
- Every number has to lie within `absolute + relative * |wanted|` of the one wanted; numbers that are not finite are the
  strings `nan`, `inf`, `-inf`; words have to be equal, but for `why` and `about`, which are for people. More
  entries than wanted do no harm.
- SI units and radians. Vehicle frame: x forward, y left, origin under the middle of the rear axle.
- A grid is a string a row, rows grow with y and columns with x:

| sign | cell |
|---|---|
{signs}

- `grid_update` is asked with a row of cycles from the start on and answers the grid after the last, so that how an
  implementation keeps its memory is its own affair. `track_update` is one track under both models of motion.

## Drive with it

The same lines drive a decision in the closed loop; `verdict` is asked once a cycle, and a path comes along in `paths`
only until it was answered once:

    from avoidkit import drive, external
    drive(scene, tuning, seed=1, decide=external(["./my_implementation"]))

An answer needs `action` and `speed_cap_mps`; `path`, `new_path`, `memory`, `settled_by`, `why` and `checks` may be left
out. A program that crashes, answers garbage or is silent for too long is a HALT in that cycle, and the
recording says why.
"""
