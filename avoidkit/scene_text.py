"""Scene files as text: written whole, or over an old file whose comments and order stay."""

import tomllib

from avoidkit.checks import InputError

RECORDED_ONLY = ("shift_m", "turn_deg", "start_s", "file_clock")
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
                table.add(key, _item(key, needed[key]))
            continue
        old = table[key].unwrap() if hasattr(table[key], "unwrap") else table[key]
        must = needed.get(key, value)
        if _says_same(old, value, must):
            continue
        if isinstance(value, dict) and isinstance(old, dict):
            _merge(table[key], value, needed.get(key, {}))
        elif key not in INLINE and _are_tables(old) and _are_tables(value) and _begin_alike(old, value):
            _merge_rows(table[key], value, must)
        else:
            table[key] = _item(key, must)


def _merge_rows(tables, rows, needed):
    """The same for a list of tables that was changed, cut or added to at its end."""
    while len(tables) > len(rows):
        del tables[-1]
    for k, (row, must) in enumerate(zip(rows, needed, strict=True)):
        if k < len(tables):
            _merge(tables[k], row, must)
        else:
            tables.append(_item("", must))


def _are_tables(rows):
    return isinstance(rows, list) and len(rows) > 0 and isinstance(rows[0], dict)


def _begin_alike(old, new):
    """Whether the names in two lists of tables agree as far as both go: else comments would move to others."""
    return all(a.get("name", "") == b.get("name", "") for a, b in zip(old, new, strict=False))


def _says_same(old, value, needed):
    """Whether old plain data means `value`, with or without the values that are not `needed`."""
    if isinstance(old, dict) and isinstance(value, dict):
        known = all(key in value for key in old) and all(key in old for key in needed)
        return known and all(_says_same(old[key], value[key], needed.get(key, value[key])) for key in old)
    if isinstance(old, list) and isinstance(value, list):
        same_length = len(old) == len(value) == len(needed)
        return same_length and all(_says_same(*rows) for rows in zip(old, value, needed, strict=True))
    return old == value
