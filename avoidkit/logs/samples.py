"""Raw samples of a foreign log, as its reader found them: numbers over time by channel, nothing filled in."""

from dataclasses import dataclass, field

import numpy as np

from avoidkit.checks import require_shape

GREATEST_SAMPLES = 20_000_000


@dataclass(frozen=True, eq=False, slots=True)
class Series:
    """One channel: raw values at times, in the order of the log.

    Attributes
    ----------
    time_s : (n,) array
        s from `Samples.start_s`; where the log's clock steps back, so does this.
    values : (n,) array
        Raw; NaN where the log holds no number.
    unit : str
        What the log says, if anything.
    """

    time_s: np.ndarray
    values: np.ndarray
    unit: str = ""

    def __post_init__(self):
        require_shape((len(self.time_s),), finite=True, time_s=self.time_s)
        require_shape((len(self.time_s),), values=self.values)

    def __len__(self):
        return len(self.time_s)


@dataclass(frozen=True, eq=False, slots=True)
class Samples:
    """All channels that were asked for.

    Attributes
    ----------
    series : dict
        {(group, channel): Series}; channels of one group share their times.
    start_s : float
        What has to be added to all times to get those of the log.
    damage : tuple of str
        What could not be read, with its place in the log; counts first.
    """

    series: dict
    start_s: float = 0.0
    damage: tuple[str, ...] = field(default=())


@dataclass(slots=True)
class Damage:
    """Counts what cannot be read, and names the first few places."""

    what: str
    count: int = 0
    places: list = field(default_factory=list)

    def add(self, place, count=1):
        """One more, at a place in words."""
        self.count += count
        if len(self.places) < 3:
            self.places.append(place)

    def lines(self):
        """What a person reads, as a list of none or one."""
        if not self.count:
            return []
        more = f" and {self.count - len(self.places)} more" if self.count > len(self.places) else ""
        return [f"{self.count} {self.what}: {'; '.join(self.places)}{more}"]
