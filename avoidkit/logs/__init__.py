"""Foreign measurement files: CSV, blocks of text and ASAM MDF4 to recordings, and recordings back to CSV and MDF4."""

from avoidkit.logs.export import export_log
from avoidkit.logs.found import found_from
from avoidkit.logs.mapping import Mapping, load_mapping, save_mapping
from avoidkit.logs.playing import play
from avoidkit.logs.reading import read_log

__all__ = ["Mapping", "export_log", "found_from", "load_mapping", "play", "read_log", "save_mapping"]
