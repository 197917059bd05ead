"""Scene files as text: written whole, or over an old file whose comments and order stay."""

import tomllib

from avoidkit.checks import InputError

RECORDED_ONLY = ("shift_m", "turn_deg", "start_s")
INLINE = ("corners_m", "segments", "walk", "presses")  # lists that read better on their own lines than as tables


def scene_toml(scene, old=None, where="scene"):
    """The text of a scene file.

    Parameters
    ----------
    scene : Scene
    old : str or None
        Text of the file that this one replaces: only what differs is changed in it, and a value that the
        old file left to its default stays out while it is the default.
    where : str
        Begins the message where the old text is not TOML.
    """
    import tomlkit

    plain = _plain(scene)
    if old is None:
        document = tomlkit.document()
        document.add(
            tomlkit.comment("A scene of avoidkit: places in m, times in s, angles in degrees counter-clockwise.")
        )
        _fill(document, plain)
        return tomlkit.dumps(document)
    try:
        document = tomlkit.parse(old)
        tomllib.loads(old)
    except (tomlkit.exceptions.TOMLKitError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{where}: is no TOML file and is left alone: {error}") from None
    _merge(document, plain, _plain(scene, exclude_defaults=True))
    return tomlkit.dumps(document)


def _plain(scene, **how):
    plain = scene.model_dump(mode="json", exclude_none=True, **how)
    for person in plain.get("people", []):
        if "walks_file" not in person:
            for key in RECORDED_ONLY:
                person.pop(key, None)
    return plain


def _fill(table, plain):
    for key, value in plain.items():
        if value not in ([], {}):
            table.add(key, _item(key, value))


def _item(key, value):
    import tomlkit

    if isinstance(value, dict) and key in ("stands_at",):
        return _inline(value)
    if isinstance(value, dict):
        table = tomlkit.table()
        _fill(table, value)
        return table
    if isinstance(value, list) and value and key in INLINE:
        rows = tomlkit.array()
        rows.extend([_inline(row) if isinstance(row, dict) else row for row in value])
        return rows.multiline(True)
    if isinstance(value, list) and value and isinstance(value[0], dict):
        tables = tomlkit.aot()
        for row in value:
            tables.append(_item("", row))
        return tables
    return tomlkit.item(value)


def _inline(row):
    import tomlkit

    table = tomlkit.inline_table()
    table.update(row)
    return table


def _merge(table, plain, needed):
    """Change `table` into `plain` in place, touching only what differs; new keys come in only where `needed`."""
    for key in [key for key in table if key not in plain]:
        del table[key]
    for key, value in plain.items():
        if key not in table:
            if key in needed:
                table.add(key, _item(key, value))
            continue
        old = table[key].unwrap() if hasattr(table[key], "unwrap") else table[key]
        if old == value:
            continue
        if isinstance(value, dict) and isinstance(old, dict):
            _merge(table[key], value, needed.get(key, {}))
        elif _same_tables(old, value) and key not in INLINE:
            for row, new, must in zip(table[key], value, needed.get(key, value), strict=True):
                _merge(row, new, must)
        else:
            table[key] = _item(key, value)


def _same_tables(old, value):
    return (
        isinstance(value, list) and isinstance(old, list) and len(old) == len(value) > 0 and isinstance(value[0], dict)
    )
