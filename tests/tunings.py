"""The tunings that travel with the kit; `python -m tests.tunings` writes their files anew."""

from avoidkit import Tuning, shipped
from avoidkit.parameters import write_text
from avoidkit.tuning import tuning_toml

SLOW_BRAKES = {
    "name": "slow_brakes",
    "vehicle.latency_s": 0.3,
    "vehicle.brake_build_up_s": 0.2,
    "vehicle.brake_mps2": 2.0,
}


def shipped_tunings():
    """Each tuning by the name of its file."""
    return {"baseline": Tuning(), "slow_brakes": Tuning().replace(SLOW_BRAKES)}


if __name__ == "__main__":
    for name, tuning in shipped_tunings().items():
        write_text(shipped("tunings") / f"{name}.toml", tuning_toml(tuning))
