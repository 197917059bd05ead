"""What a model of parameters is made of: bounded numbers with units, and the way between model and TOML.

Bounds, unit, step, one line of doc and the source of the default stand beside each field. The check of a
file, the printed JSON schema and the sliders of the bench all come from there.
"""

import difflib
import json
import math
import os
import tomllib
from pathlib import Path
from typing import get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from avoidkit.checks import InputError
from avoidkit.shown import shown

PLACEHOLDER = "our placeholder"
PRACTICE = "common practice, no source"

KEYS_OF_FILES = {  # the top-level keys that one kind of file has alone
    "scene": (
        "title", "duration_s", "temperature_deg_c", "start", "path", "walls", "parked", "trolleys", "kerbs", "fences",
        "pillars", "faults", "sees_under_parked", "true_vehicle", "folder",
    ),
    "tuning": ("cycle_s", "vehicle", "radar", "tracking", "freespace", "detour", "decision"),
    "mapping": (
        "format", "free_space", "ultrasonic_silent", "path_ahead_m", "table", "blocks", "time", "view", "own", "radars",
        "objects",
    ),
}  # fmt: skip


class Model(BaseModel):
    """Base of every parameter and scene model: frozen, strict, finite, no unknown keys."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, validate_default=True, ser_json_inf_nan="strings"
    )

    def _repr_html_(self):
        return shown(self)


def quantity(unit, low, high, default=..., *, doc, step=None, source=PLACEHOLDER):
    """A bounded number with its unit, slider step, one line of doc and where its default comes from."""
    extra = {"unit": unit, "step": step, "source": source}
    return Field(default=default, ge=low, le=high, description=doc, json_schema_extra=extra)


def switch(default, *, doc, source=PLACEHOLDER):
    """An on/off parameter with its doc."""
    return Field(default=default, description=doc, json_schema_extra={"unit": "", "step": None, "source": source})


def metres(low, high, default=..., *, doc, step=0.01, source=PLACEHOLDER):
    return quantity("m", low, high, default, doc=doc, step=step, source=source)


def seconds(low, high, default=..., *, doc, step=0.01, source=PLACEHOLDER):
    return quantity("s", low, high, default, doc=doc, step=step, source=source)


def degrees(low, high, default=..., *, doc, step=1.0, source=PLACEHOLDER):
    return quantity("deg", low, high, default, doc=doc, step=step, source=source)


def speed(low, high, default=..., *, doc, step=0.05, source=PLACEHOLDER):
    return quantity("m/s", low, high, default, doc=doc, step=step, source=source)


def acceleration(low, high, default=..., *, doc, step=0.05, source=PLACEHOLDER):
    return quantity("m/s^2", low, high, default, doc=doc, step=step, source=source)


def share(default=..., *, doc, low=0.0, high=1.0, step=0.01, source=PLACEHOLDER):
    return quantity("1", low, high, default, doc=doc, step=step, source=source)


def flat(model, prefix=""):
    """All values of a model by dotted name, in order of definition."""
    out = {}
    for key in type(model).model_fields:
        value = getattr(model, key)
        if isinstance(value, BaseModel):
            out.update(flat(value, f"{prefix}{key}."))
        else:
            out[f"{prefix}{key}"] = value
    return out


def field_names(model):
    """The dotted names of all parameters of a model."""
    return list(flat(model))


def fields(model, prefix=""):
    """Yield (dotted name, value, FieldInfo) for every single parameter of a model."""
    for key, info in type(model).model_fields.items():
        value = getattr(model, key)
        if isinstance(value, BaseModel):
            yield from fields(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}", value, info


def did_you_mean(name, known):
    """`; did you mean '...'?` for the nearest known name, or nothing."""
    before = str(name).rpartition(".")[0]
    beside = {one.rpartition(".")[2]: one for one in map(str, known) if one.rpartition(".")[0] == before}
    last = difflib.get_close_matches(str(name).rpartition(".")[2], beside, n=1, cutoff=0.5)
    whole = [] if last else difflib.get_close_matches(str(name), [str(one) for one in known], n=1, cutoff=0.7)
    near = [beside[one] for one in last] + whole  # of names that differ in the last part alone, that part counts
    return f"; did you mean {near[0]!r}?" if near else ""


def validated(model, plain, where):
    """Check plain TOML or JSON data against a model; `InputError` names each field, what it got and wanted."""
    try:
        return model.model_validate_json(json.dumps(plain, default=_refuse))
    except ValidationError as error:
        kind, other = model.__name__.lower(), _other_kind(model, plain)
        if other is not None:
            raise InputError(f"{where}: is a {other}, a {kind} was wanted") from None
        raise InputError("\n".join(_complaints(error, where, model))) from None
    except TypeError as error:
        raise InputError(f"{where}: {error}") from None


def _other_kind(model, plain):
    """Which other kind of file plain data are by their top-level keys, or None."""
    kind = model.__name__.lower()
    if kind not in KEYS_OF_FILES or not isinstance(plain, dict):
        return None
    counts = {one: sum(key in plain for key in keys) for one, keys in KEYS_OF_FILES.items()}
    other = max(counts, key=counts.get)
    return other if counts[other] > counts[kind] else None


def _refuse(value):
    raise TypeError(f"a value of kind {type(value).__name__} ({value}) is not understood here")


def _complaints(error, where, model, limit=12):
    problems = error.errors(include_url=False)
    for problem in problems[:limit]:
        field = ".".join(str(part) for part in problem["loc"]) or "(whole file)"
        got = problem["input"]
        if problem["type"] == "extra_forbidden":
            yield f"{where}: {field}: unknown key{did_you_mean(field, _known_beside(model, problem['loc']))}"
        elif problem["type"] == "missing":
            yield f"{where}: {field}: missing"
        else:
            wanted = problem["msg"].removeprefix("Value error, ")
            wanted, near, name = wanted.partition("; did you mean ")
            of_parts = isinstance(got, dict | list) and not problem["type"].endswith("_type")
            got = "" if of_parts else f", got {_brief(got)}"
            yield f"{where}: {field}: {wanted[:1].lower()}{wanted[1:]}{got}{near}{name}"
    if len(problems) > limit:
        yield f"{where}: and {len(problems) - limit} more"


def _brief(value, most=60):
    text = repr(value)
    return text if len(text) <= most or not isinstance(value, dict | list) else f"{text[:most]}..."


def _known_beside(model, place):
    """Full dotted names that are known where the last part of `place` stands, as far as the model tells."""
    before = ""
    for part in place[:-1]:
        if isinstance(part, str):
            info = getattr(model, "model_fields", {}).get(part)
            model = _model_in(info.annotation) if info else None
        before += f"{part}."  # a number counts within a list: its model stays
    return [before + name for name in getattr(model, "model_fields", {})]


def _model_in(annotation):
    """The model that an annotation such as `tuple[Model, ...] | None` speaks of, or None."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_in(part))), None)


def read_toml(path):
    """The plain data of a TOML file; `InputError` names the file and what is wrong with it."""
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise InputError(f"{path}: is a folder, a TOML file was wanted") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text: byte {error.start} cannot be read") from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: is not valid TOML: {error}") from None


def write_text(path, text):
    """Write a text file whole or not at all: to a temporary file first, then renamed."""
    path = Path(path)
    part = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        part.write_text(text, encoding="utf-8")
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(f"{path}: cannot be written: {error.strerror}") from None


def toml_text(model, *comments):
    """The text of a TOML file that holds every value of a model, each with unit, bounds, meaning and source."""
    import tomlkit

    document = tomlkit.document()
    for comment in comments:
        document.add(tomlkit.comment(comment))
    _fill(document, model)
    return tomlkit.dumps(document)


def toml_over(old, model, where):
    """The text of a TOML file changed so that it holds a model: comments and order stay, only what differs is touched.

    What the old file left to its default stays out while it is the default; keys that the model does not know go.
    """
    import tomlkit

    try:
        tomllib.loads(old)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{where}: is not valid TOML and is left alone: {error}") from None
    document = tomlkit.parse(old)
    _change(document, model)
    return tomlkit.dumps(document)


def _change(table, model):
    import tomlkit

    plain = model.model_dump(mode="json")
    needed = model.model_dump(mode="json", exclude_defaults=True)
    for key in [key for key in table if key not in plain]:
        del table[key]
    for key, value in plain.items():
        inner = getattr(model, key)
        if isinstance(inner, BaseModel):
            if key not in table and key in needed:
                table.add(key, tomlkit.table())
            if key in table:
                _change(table[key], inner)
        elif key in table and table[key] != value:
            table[key] = value
        elif key not in table and key in needed:
            table.add(key, value)


def _fill(table, model):
    import tomlkit

    plain = model.model_dump(mode="json")
    infos = type(model).model_fields.items()
    inner = {key: info for key, info in infos if isinstance(getattr(model, key), BaseModel)}
    for key, info in infos:
        if key not in inner:
            table.add(tomlkit.comment(_note(info)))
            table.add(key, plain[key])
    for key, info in inner.items():  # after the single values, or these would belong to the table before them
        section = tomlkit.table()
        if info.description:
            section.comment(info.description)
        _fill(section, getattr(model, key))
        table.add(key, section)


def _note(info):
    """One line on a value: what it means, [unit], its bounds, where its default comes from."""
    extra = info.json_schema_extra or {}
    low = next((m.ge for m in info.metadata if hasattr(m, "ge")), None)
    high = next((m.le for m in info.metadata if hasattr(m, "le")), None)
    unit = f" [{extra['unit']}]" if extra.get("unit") else ""
    bounds = "" if low is None or high is None else f", {_short(low)} to {_short(high)}"
    source = f"; {extra['source']}" if extra.get("source") else ""
    return f"{info.description}{unit}{bounds}{source}"


def _short(number):
    return f"{number:g}" if math.isfinite(number) else str(number)
