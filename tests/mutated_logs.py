"""Damages small logs in many ways and reads each: `python -m tests.mutated_logs KIND COUNT SEED` prints what came out.

In a process of its own, so that its peak memory, and that of the readers it starts, is that of the reading alone.
"""

import json
import random
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

from avoidkit.checks import InputError
from avoidkit.logs import Mapping, read_log
from avoidkit.parameters import validated
from tests import made_logs

EXTREME = (b"1e308", b"-1e308", b"nan", b"inf", b"-inf", b"", b"9" * 400, b"=1+1", b"\x00", b"\xff\xfe", b"1e-320")
BLOCK = "stamp:\n  s: {s}\n  ns: {ns}\nn: {n}\nfar: {far}\nside: {side}\npace: {pace}\n---\n"


def small_log(kind, folder):
    """A small log of one kind, and its mapping."""
    path = Path(folder) / {"csv": "log.csv", "mdf": "log.mf4", "blocks": "log.txt"}[kind]
    if kind == "blocks":
        path.write_text("".join(_block(k) for k in range(300)), encoding="utf-8")
        return path, blocks_mapping()
    channels = made_logs.channels_of(made_logs.rows_of_a_drive(3.0))
    some = {name: values for name, values in channels.items() if "_" not in name or int(name.split("_")[1]) < 4}
    (made_logs.write_csv if kind == "csv" else made_logs.write_mdf)(path, some)
    mapping = made_logs.mapping(kind)
    objects = mapping.objects.model_dump(mode="json", exclude_defaults=True) | {"slots": 4}
    return path, made_logs.mapping(kind, objects=objects)


def _block(k):
    frame, n = divmod(k, 5)
    return BLOCK.format(
        s=1000 + frame // 10, ns=frame % 10 * 100_000_000, n=n, far=2 + 0.3 * n, side=10 * n, pace=-0.2 * n
    )


def blocks_mapping():
    """The `Mapping` of the log of blocks."""
    plain = {
        "name": "made blocks",
        "format": "blocks",
        "time": [{"channel": "s", "unit": "s"}, {"channel": "ns", "unit": "ns"}],
        "own": {"stands": True},
        "radars": [
            {
                "sensor": "front_left",
                "layout": "rows",
                "new_scan": {"channel": "n"},
                "mount": {"x_m": 3.75, "y_m": 0.0, "yaw_deg": 0.0},
                "range": {"channel": "far", "unit": "m"},
                "azimuth": {"channel": "side", "unit": "deg"},
                "range_rate": {"channel": "pace", "unit": "m/s"},
            }
        ],
    }
    return validated(Mapping, plain, "made blocks")


def mutated(data, rng):
    """The bytes with one to eight damages."""
    for _ in range(rng.randint(1, 8)):
        data = rng.choice(DAMAGES)(data, rng)
    return data


def _flip(data, rng):
    out = bytearray(data)
    for _ in range(rng.choice((1, 4, 64))):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _flip_early(data, rng):
    out = bytearray(data)
    for _ in range(8):
        out[rng.randrange(min(len(out), 1500))] = rng.randrange(256)
    return bytes(out)


def _cut(data, rng):
    return data[: max(1, rng.randrange(len(data)))]


def _take_out(data, rng):
    a = rng.randrange(len(data))
    return data[:a] + data[a + rng.randint(1, 500) :] or b"x"


def _double(data, rng):
    a = rng.randrange(len(data))
    b = a + rng.randint(1, 2000)
    return data[:b] + data[a:b] * rng.choice((1, 3, 30)) + data[b:]


def _extreme(data, rng):
    parts = data.split(b",") if data.count(b",") > 50 else data.split(b": ")
    if len(parts) < 3:
        return _flip(data, rng)
    joint = b"," if data.count(b",") > 50 else b": "
    parts[rng.randrange(1, len(parts))] = rng.choice(EXTREME) + rng.choice((b"", b"\n"))
    return joint.join(parts)


def _long_number(data, rng):
    """Eight bytes that say 'very many' or 'very far', where a binary file has lengths and links."""
    a = 8 * rng.randrange(max(1, len(data) // 8))
    return data[:a] + rng.choice((b"\xff" * 8, b"\xff" * 4 + b"\x00" * 4, b"\x00" * 7 + b"\x7f")) + data[a + 8 :]


DAMAGES = (_flip, _flip_early, _cut, _take_out, _double, _extreme, _long_number)


def main(kind, count, seed):
    """Read so many damaged logs; print a JSON object."""
    rng, said = random.Random(int(seed)), {"read": 0, "refused": 0, "other": []}
    computed_s, waited_s = [], []
    with tempfile.TemporaryDirectory() as folder:
        path, mapping = small_log(kind, folder)
        sound = path.read_bytes()
        assert len(read_log(path, mapping)) > 20
        for k in range(int(count)):
            damaged = path.with_name(f"damaged_{k}{path.suffix}")
            damaged.write_bytes(mutated(sound, rng))
            before, begun = _computing_s(), time.monotonic()
            try:
                read_log(damaged, mapping)
                said["read"] += 1
            except InputError as error:
                said["refused"] += 1
                if not str(error).startswith(f"{damaged}: "):
                    said["other"].append(f"does not name the file: {error}")
            except Exception as error:  # noqa: BLE001  (what must not happen, counted)
                said["other"].append(f"{k}: {type(error).__name__}: {error}"[:300])
            computed_s.append(_computing_s() - before)
            waited_s.append(time.monotonic() - begun)
            damaged.unlink()
    said |= {"computed_s": max(computed_s), "waited_s": max(waited_s), "median_s": statistics.median(waited_s)}
    said |= {"waited_over_2_s": sum(one > 2.0 for one in waited_s), "peak_mb": _peak_mb(resource.RUSAGE_CHILDREN)}
    sys.stdout.write(json.dumps(said | {"own_peak_mb": _own_peak_mb()}) + "\n")


def _computing_s():
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def _own_peak_mb():
    """Of this process since it began: the kernel's own count also holds what the process was forked from."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    return _peak_mb(resource.RUSAGE_SELF)


def _peak_mb(who):
    return resource.getrusage(who).ru_maxrss / 1024


if __name__ == "__main__":
    main(*sys.argv[1:4])
