"""The record of a drive, and its file: everything that the loop saw and decided, one row a cycle."""

from avoidkit.recording.columns import COLUMNS, FORMAT_VERSION, description
from avoidkit.recording.record import Recording, load_recording, mend
from avoidkit.recording.recorder import Recorder
from avoidkit.recording.rows import FREE, OCCUPIED, UNKNOWN, GridPicture, Row, picture_of
from avoidkit.recording.summary import CAUTION, summary_lines

__all__ = [
    "CAUTION",
    "COLUMNS",
    "FORMAT_VERSION",
    "FREE",
    "OCCUPIED",
    "UNKNOWN",
    "GridPicture",
    "Recorder",
    "Recording",
    "Row",
    "description",
    "load_recording",
    "mend",
    "picture_of",
    "summary_lines",
]
