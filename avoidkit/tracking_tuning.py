"""Parameters of the tracker."""

from typing import Literal

from pydantic import Field

from avoidkit.parameters import Model, metres, quantity, seconds, share, speed


class TrackingTuning(Model):
    """Scans to tracks; how accurate a radar is stands in the section `radar`."""

    gate_probability: float = share(0.99, low=0.5, high=0.9999, doc="share of true returns inside the gate")
    filter: Literal["compiled", "library"] = Field(
        default="compiled",
        description="compiled loops, or the filter library's objects",
        json_schema_extra={"unit": "", "step": None, "source": "our placeholder"},
    )
    pairing: Literal["nearest", "soft"] = Field(
        default="nearest",
        description="global nearest neighbour, or the pairs likelier than all others together",
        json_schema_extra={"unit": "", "step": None, "source": "our placeholder"},
    )
    late_s: float = seconds(0.0, 1.0, 0.30, doc="age up to which a late scan is still worked in")
    body_offset_m: float = metres(
        0.0,
        0.3,
        0.12,
        doc="the front of a body reflects so much nearer than its middle",
        source="seen in open radar data",
    )
    body_sigma_m: float = metres(0.0, 0.3, 0.06, doc="wander of the reflecting place on a body")
    torso_rate_mps: float = speed(0.0, 1.0, 0.08, step=0.01, doc="scatter of a walking torso's range rate")
    limb_rate_mps: float = speed(
        0.0, 3.0, 0.90, doc="more scatter of range rate where an arm or a leg returns strongest"
    )
    limb_share: float = share(
        0.35, low=0.01, high=0.9, doc="share of a walker's measurements in which an arm or a leg returns strongest"
    )
    limb_reach_m: float = metres(
        0.0, 0.5, 0.15, doc="how far from the middle of the body an arm or a leg returns, standard deviation"
    )
    still_sigmas: float = quantity(
        "1", 1.0, 6.0, 3.0, step=0.1, doc="a range rate within so many standard deviations of zero is still"
    )
    cluster_m: float = metres(0.1, 2.0, 0.5, step=0.05, doc="returns this near the strongest belong to one cluster")
    cluster_rate_mps: float = speed(0.1, 6.0, 3.5, doc="returns of one cluster differ at most so much in range rate")
    accel_psd: float = quantity(
        "m^2/s^3",
        0.001,
        5.0,
        0.08,
        step=0.01,
        doc="white acceleration of a walker; body sway is in the measurement noise",
        source="0.07 to 0.08 among recorded walkers: least errors of place and velocity, ellipses of 1 s under 0.8 m",
    )
    sway_mps: float = speed(0.005, 0.5, 0.06, step=0.005, doc="velocity of someone who stands, standard deviation")
    standing_memory_s: float = seconds(
        0.02, 2.0, 0.25, doc="time in which the velocity of someone who stands dies away"
    )
    stop_per_s: float = quantity("1/s", 0.001, 2.0, 0.15, step=0.01, doc="how often a walker stops")
    start_per_s: float = quantity("1/s", 0.001, 2.0, 0.15, step=0.01, doc="how often someone who stands starts")
    mode_trust: float = share(
        0.4,
        low=0.05,
        doc="power of the likelihoods that tell standing from walking: errors of scans in a row are alike",
    )
    fade_per_s: float = quantity("1/s", 0.0, 5.0, 0.1, step=0.05, doc="how often somebody seen becomes unobservable")
    return_per_s: float = quantity(
        "1/s", 0.01, 5.0, 0.8, step=0.05, doc="how often somebody unobservable is seen again"
    )
    leave_per_s: float = quantity("1/s", 0.0, 1.0, 0.02, step=0.01, doc="how often somebody leaves for good")
    birth_existence: float = share(0.001, low=1e-6, high=0.5, step=0.001, doc="existence of somebody seen once, moving")
    believe_at: float = share(0.99, low=0.5, high=0.99999, doc="existence at which a track is confirmed")
    believe_hits: int = quantity("1", 2, 20, 4, step=1, doc="measurements that a track needs before it is confirmed")
    false_alarm_density: float = quantity(
        "s/(m^2 rad)",
        1e-6,
        1.0,
        7e-4,
        step=1e-4,
        doc="density of false alarms per scan in range, azimuth and range rate",
    )
    still_density: float = quantity(
        "s/(m^2 rad)", 1e-6, 10.0, 0.02, step=0.01, doc="density of returns of still things apart from edges, per scan"
    )
    edge_density: float = quantity(
        "s/(m^2 rad)", 1e-6, 1000.0, 10.0, step=1.0, doc="density of returns of edges where these are, per scan"
    )
    person_strength_db: float = quantity(
        "dB", 0.0, 120.0, 58.0, step=1.0, doc="signal to noise of a person at 1 m, before it is known"
    )
    moving_from_mps: float = speed(0.05, 1.0, 0.25, doc="range rate from which something is born as moving")
    moving_to_mps: float = speed(2.0, 10.0, 4.5, doc="range rate above which it is nobody on foot")
    across_mps: float = speed(0.2, 3.0, 1.0, doc="velocity across the line of sight at birth, standard deviation")
    apart_m: float = metres(0.1, 2.0, 0.6, step=0.05, doc="nothing is born this near a track")
    same_m: float = metres(0.0, 1.0, 0.40, step=0.05, doc="two tracks this near, and alike in velocity, are one")
    same_mps: float = speed(
        0.0, 5.0, 1.0, step=0.1, doc="two tracks near each other are one if their velocities differ by less"
    )
    most_births: int = quantity("1", 1, 100, 12, step=1, doc="tracks born of one scan")
    tentative_s: float = seconds(
        0.05, 2.0, 0.16, doc="a moving track of one or two measurements ends after so long without another"
    )
    possible_hits: int = quantity(
        "1", 1, 200, 8, step=1, doc="measurements of a small still thing before it may be a person"
    )
    possible_scans: int = quantity("1", 1, 200, 8, step=1, doc="scans in a cell before a small still thing is followed")
    possible_after_s: float = seconds(
        0.0, 10.0, 1.0, step=0.1, doc="time over which a small still thing has to be seen before it is followed"
    )
    possible_range_m: float = metres(
        2.0, 50.0, 9.0, step=0.5, doc="small still things farther from the rear axle are not handed out"
    )
    possible_s: float = seconds(0.1, 20.0, 2.0, step=0.1, doc="a small still thing ends after so long unseen")
    coasting_s: float = seconds(0.05, 2.0, 0.25, doc="a track unseen for so long, although in view, coasts")
    sigma_max_m: float = metres(
        0.5,
        10.0,
        2.5,
        step=0.1,
        doc="position uncertainty at which a doubtful track ends; any other ends at twice that",
    )
    bias_m: float = metres(
        0.0, 0.3, 0.04, doc="error of position of someone who stands that scans do not average out, per axis"
    )
    bias_walking_m: float = metres(
        0.0, 0.3, 0.01, doc="error of position of a walker that scans do not average out, per axis"
    )
    bias_slow_m: float = metres(
        0.0,
        0.3,
        0.08,
        doc="error of position of a walker so slow that one of his glints stays the strongest for long, per axis",
    )
    place_share: float = share(
        0.8, low=0.05, doc="share of the filter's variance of place that holds for who is confirmed and surely walks"
    )
    velocity_share: float = share(
        0.16,
        low=0.05,
        doc="share of the filter's variance of velocity that holds for who is confirmed and surely walks",
    )
    bias_edge_m: float = metres(
        0.0,
        1.0,
        0.3,
        doc="added error of position of who stands and is measured as part of an edge, by the share of it",
    )
    bias_bumper_m: float = metres(
        0.0,
        1.0,
        0.25,
        doc="added error of position of who stands at a bumper, where each radar sees one side of a body",
    )
    bias_mps: float = speed(
        0.0, 1.0, 0.06, step=0.01, doc="error of velocity of who stands that scans do not average out, per axis"
    )
    bias_walking_mps: float = speed(
        0.0, 1.0, 0.03, step=0.01, doc="error of velocity of a walker that scans do not average out, per axis"
    )
    bias_slow_mps: float = speed(
        0.0,
        1.0,
        0.15,
        step=0.01,
        doc="error of velocity of a walker so slow that he seems to stand now and then, per axis",
    )
    still_cell_m: float = metres(0.1, 1.0, 0.25, step=0.05, doc="cells of the memory of still returns")
    still_keep_s: float = seconds(
        0.5, 30.0, 6.0, step=0.5, doc="a cell without a still return for so long is forgotten"
    )
    still_settle_s: float = seconds(
        0.0, 5.0, 1.0, step=0.1, doc="a cell seen over a shorter time is no part of an edge: somebody may walk across"
    )
    still_sigma_m: float = metres(
        0.05, 1.0, 0.25, step=0.05, doc="returns less accurate across the line of sight are not remembered"
    )
    still_scans: int = quantity("1", 1, 100, 3, step=1, doc="scans in a cell that make it part of an edge")
    still_share: float = share(
        0.1, doc="share of the strongest cell's scans a second that makes a cell part of an edge"
    )
    edge_keep_s: float = seconds(1.0, 600.0, 120.0, step=1.0, doc="what was found to be an edge stays one for so long")
    wedge_keep_s: float = seconds(
        1.0, 600.0, 60.0, step=1.0, doc="who went into a blind wedge and is not seen again is kept there so long"
    )
    edge_m: float = metres(0.5, 3.0, 1.5, step=0.05, doc="still things longer than this are edges, not people")
