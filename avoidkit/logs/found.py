"""What a log holds, told before anything is made of it: found, missing, invalid, gaps, steps of the clock, assumed."""

from dataclasses import asdict, dataclass, field

MOST_PLACES = 5  # gaps that are listed one by one


@dataclass(slots=True)
class Channel:
    """What was found in one channel (or in one table of things).

    Attributes
    ----------
    role, name : str
        What it is for, and what the log calls it.
    samples : int
        In the log.
    from_s, to_s, period_s : float
        s from the first row; the median time between two samples.
    coded, flagged, not_numbers : int
        Samples that count as missing: an invalid code, a flag beside it, no (finite) number.
    clock_steps, dropped : int
        How often the clock stood or stepped back; samples left out until it had caught up.
    gaps : list of (from_s, to_s)
        The first few stretches without a valid sample; `gap_count` of all, `gaps_s` their time.
    strays, blinded : int
        Returns that belong to no mark of their radar; scans that count as blind because of those, or because something
        in them is in use and holds an invalid number. Of a list of objects: lists with such an object.
    units : str
        Says where log and mapping disagree about the unit.
    """

    role: str
    name: str
    samples: int = 0
    from_s: float = 0.0
    to_s: float = 0.0
    period_s: float = 0.0
    coded: int = 0
    flagged: int = 0
    not_numbers: int = 0
    clock_steps: int = 0
    dropped: int = 0
    gaps: list = field(default_factory=list)
    gap_count: int = 0
    gaps_s: float = 0.0
    strays: int = 0
    blinded: int = 0
    units: str = ""

    @property
    def invalid(self):
        """Samples that count as missing."""
        return self.coded + self.flagged + self.not_numbers

    def shift(self, by_s):
        """Count times from a later (or, below 0, earlier) instant."""
        self.from_s, self.to_s = self.from_s - by_s, self.to_s - by_s
        self.gaps = [(a - by_s, b - by_s) for a, b in self.gaps]

    def line(self):
        """One line for a person."""
        if not self.samples:
            return f"{self.role:<22} {self.name!r}: no sample"
        told = f"{self.samples} samples, {self.from_s:.2f} to {self.to_s:.2f} s, every {self.period_s * 1000:.0f} ms"
        troubles = self._troubles()
        return f"{self.role:<22} {self.name!r}: {told}; {'; '.join(troubles) if troubles else 'all valid, no gap'}"

    def _troubles(self):
        out = [
            f"{count} invalid ({why})"
            for count, why in ((self.coded, "code"), (self.flagged, "flag"), (self.not_numbers, "no number"))
            if count
        ]
        if self.clock_steps:
            out.append(f"CLOCK stood or stepped back {self.clock_steps} times, {self.dropped} samples left out")
        if self.strays:
            out.append(f"{self.strays} returns belong to no scan")
        if self.blinded:
            out.append(f"{self.blinded} count as blind")
        if self.gap_count:
            places = ", ".join(f"{a:.2f} to {b:.2f} s" for a, b in self.gaps)
            more = ", ..." if self.gap_count > len(self.gaps) else ""
            out.append(f"{self.gap_count} gaps, {self.gaps_s:.2f} s in all ({places}{more})")
        return [*out, self.units] if self.units else out


@dataclass(slots=True)
class Found:
    """The summary of a log.

    Attributes
    ----------
    file, kind : str
    start_s, duration_s : float
        The log's own time of the first row; from the first row to the last.
    channels : list of Channel
    missing : list of str
        What the mapping names no channel for, and what follows from it.
    assumed, damage, notes : list of str
    driven_m : float
        Integral of the speed's amount over its samples.
    """

    file: str
    kind: str
    start_s: float = 0.0
    duration_s: float = 0.0
    channels: list = field(default_factory=list)
    missing: list = field(default_factory=list)
    assumed: list = field(default_factory=list)
    damage: list = field(default_factory=list)
    notes: list = field(default_factory=list)
    driven_m: float = 0.0

    def lines(self):
        """The summary for a person, a line each."""
        out = [f"{self.file}: {self.kind}, {self.duration_s:.2f} s from {self.start_s:.3f} s on its clock"]
        out += [f"  found    {channel.line()}" for channel in self.channels]
        out += [f"  missing  {line}" for line in self.missing]
        out += [f"  DAMAGE   {line}" for line in self.damage]
        out += [f"  note     {line}" for line in self.notes]
        out += [f"  ASSUMED, NOT MEASURED: {line}" for line in self.assumed]
        return [*out, f"  driven   {self.driven_m:.1f} m: integral of the speed"]

    def plain(self):
        """All of it as plain values for JSON."""
        return asdict(self)


def found_from(plain):
    """The inverse of `Found.plain`."""
    return Found(**plain | {"channels": [Channel(**channel) for channel in plain["channels"]]})
