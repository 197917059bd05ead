"""Results handed over: a frozen tuning, its parameters, vectors of each function, and decisions by other programs."""

from avoidkit.handover.external import External, external
from avoidkit.handover.folder import write_handover

__all__ = ["External", "external", "write_handover"]
