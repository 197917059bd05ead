"""ASAM MDF4 through asammdf, in both directions. Formulas in the file are refused, attachments left alone."""

import io

import numpy as np

from avoidkit.checks import InputError
from avoidkit.logs.samples import GREATEST_SAMPLES, Samples, Series
from avoidkit.parameters import did_you_mean

NEEDED = "measurement files (MDF) need asammdf: install avoidkit with its extra 'mdf'"
FORMULA, TEXTS = 3, (7, 8, 9, 10)  # kinds of conversion in ASAM MDF 4: algebraic; to or from text


def open_mdf(path, databases=()):
    """An `asammdf.MDF`; with databases of a bus (DBC), one of the signals in its frames."""
    asammdf = library()
    with open(path, "rb") as file:
        head = file.read(12)
    if head[:8] not in (b"MDF     ", b"UnFinMF "):
        raise InputError(f"{path}: is not an MDF file: its first bytes are {head[:8]!r}")
    if head[8:9] != b"4":
        raise InputError(f"{path}: is MDF {head[8:12].decode('ascii', 'replace').strip()}, version 4 was wanted")
    file = open(path, "rb")  # noqa: SIM115  (as a stream: no look at the name, nothing unpacked by it)
    mdf = asammdf.MDF(io.BytesIO(file.read()) if head.startswith(b"Un") else file)  # not ended by its logger: mended
    if databases:
        mdf = mdf.extract_bus_logging({"CAN": [(str(file), 0) for file in databases]})
    return mdf


def library():
    """asammdf; `InputError` where it is not installed."""
    try:
        import asammdf
    except ImportError:
        raise InputError(NEEDED) from None
    return asammdf


def read_mdf(path, wanted, databases=()):
    """The wanted channels of an MDF4 file.

    Parameters
    ----------
    path : str
    wanted : list of (group, channel)
        An empty group: whichever has the channel, which has to be one. Else a text that the name or comment
        of the group contains.
    databases : list of str
        DBC files, where the file holds frames of a bus.

    Returns
    -------
    Samples
    """
    mdf = open_mdf(path, databases)
    names = [_name(group) for group in mdf.groups]
    places = {key: _place(path, mdf, names, *key, databases) for key in wanted}
    times = {index: _times(path, mdf, index) for index in {index for index, _ in places.values()}}
    total = sum(len(times[index]) for index, _ in places.values())
    if total > GREATEST_SAMPLES:
        raise InputError(f"{path}: holds too much: {total} numbers are asked for, at most {GREATEST_SAMPLES}")
    series, damage = {}, []
    for key, (group, channel) in places.items():
        values, unit = _values(path, mdf, group, channel, key[1])
        keep = np.isfinite(times[group])
        if len(values) != len(keep):
            raise InputError(f"{path}: channel {key[1]!r} has {len(values)} samples at {len(keep)} times")
        if not keep.all():
            damage.append(f"{np.count_nonzero(~keep)} samples of {key[1]!r} without a time")
        series[key] = Series(times[group][keep], values[keep], unit)
    return Samples(series, 0.0, tuple(damage))


def _name(group):
    block = group.channel_group
    return f"{block.acq_name or ''} {block.comment or ''}".strip()


def bus_frames(mdf):
    """A hint where a log holds frames of a bus, whose channels only a database of it can name; else nothing."""
    framed = any(name.startswith("CAN_DataFrame") for name in mdf.channels_db)
    return "; the log holds frames of a bus: name its database (databases=, --dbc)" if framed else ""


def _place(path, mdf, names, group, channel, databases=()):
    found = [place for place in mdf.channels_db.get(channel, ()) if group in names[place[0]]]
    found = [place for place in found if mdf.groups[place[0]].channel_group.cycles_nr] or found
    if len(found) == 1:
        return found[0]
    where = f" in group {group!r}" if group else ""
    if not found:
        near = did_you_mean(channel, list(mdf.channels_db))
        frames = "" if databases else bus_frames(mdf)
        raise InputError(f"{path}: channel {channel!r}{where} was wanted, got none{near}{frames}")
    groups = ", ".join(repr(names[index][:60]) for index, _ in found[:4])
    raise InputError(f"{path}: channel {channel!r}{where} is there {len(found)} times: name a group: {groups}")


def _times(path, mdf, index):
    _no_formula(path, mdf, index, mdf.masters_db.get(index))
    return np.asarray(mdf.get_master(index), dtype=float)


def _no_formula(path, mdf, group, channel):
    if channel is None:
        raise InputError(f"{path}: group {group} has no time")
    block = mdf.groups[group].channels[channel]
    if block.conversion is not None and block.conversion.conversion_type == FORMULA:
        raise InputError(f"{path}: channel {block.name!r} is given by a formula, and nothing in a file is evaluated")


def _values(path, mdf, group, channel, name):
    """Values of a channel, NaN where invalidation bits say so, and its unit; texts stay the raw numbers behind them."""
    _no_formula(path, mdf, group, channel)
    signal = mdf.get(group=group, index=channel, raw=True)
    samples = signal.samples
    if samples.ndim != 1 or samples.dtype.kind not in "biuf":
        raise InputError(f"{path}: channel {name!r} holds no single numbers but {samples.dtype}")
    conversion = signal.conversion
    if conversion is not None and conversion.conversion_type not in TEXTS:
        samples = np.asarray(conversion.convert(samples))
    values = np.array(samples, dtype=float)
    if signal.invalidation_bits is not None:
        values[np.asarray(signal.invalidation_bits, dtype=bool)] = np.nan
    return values, str(signal.unit or "")


def write_mdf(path, groups):
    """Write groups of channels as one MDF4 file, as 64-bit numbers.

    Parameters
    ----------
    path : path
    groups : dict
        {name: (time_s (n,), {channel: (values (n,), unit)})}
    """
    asammdf = library()
    mdf = asammdf.MDF(version="4.10")
    for name, (time_s, channels) in groups.items():
        signals = [
            asammdf.Signal(np.asarray(values, dtype=float), np.asarray(time_s, dtype=float), unit=unit, name=channel)
            for channel, (values, unit) in channels.items()
        ]
        mdf.append(signals, acq_name=name, comment=name, common_timebase=True)
    mdf.save(path, overwrite=True, compression=1)
    mdf.close()
