"""Parameters of the sensors: where they sit, the radar equation, and every effect with its switch."""

from pydantic import Field

from avoidkit.parameters import PRACTICE, Model, degrees, metres, quantity, seconds, share, speed, switch

BAND = "published measurements near 77 GHz: mean -8.1 dBsm, or median -11.1 with 90 % in -20.7 to -4.8"
WALKED = "run lengths of misses on an open radar recording of one walker"
SEEN = "0.10 to 0.13 m on an open radar recording"


class Mount(Model):
    """Where a sensor sits on the vehicle and which way it looks."""

    x_m: float = metres(-2.5, 8.0, doc="place of the sensor ahead of the rear axle")
    y_m: float = metres(-1.5, 1.5, doc="place of the sensor left of the middle line")
    yaw_deg: float = degrees(-180, 180, doc="boresight, counter-clockwise from forward")


class RadarMounts(Model):
    """The four corner radars."""

    front_left: Mount = Mount(x_m=3.75, y_m=0.85, yaw_deg=50.0)
    front_right: Mount = Mount(x_m=3.75, y_m=-0.85, yaw_deg=-50.0)
    rear_left: Mount = Mount(x_m=-0.85, y_m=0.85, yaw_deg=130.0)
    rear_right: Mount = Mount(x_m=-0.85, y_m=-0.85, yaw_deg=-130.0)


class RadarTuning(Model):
    """What the four corner radars have in common, and where they sit."""

    mounts: RadarMounts = Field(default=RadarMounts(), description="where the four sit and look")
    field_of_view_deg: float = degrees(10, 180, 160.0, doc="whole width of the field of view", source=PRACTICE)
    cycle_s: float = seconds(0.02, 0.2, 0.05, doc="time between scans of one radar", source=PRACTICE)
    latency_s: float = seconds(0.0, 0.3, 0.03, doc="time from a scan being taken until it arrives")
    jitter_s: float = seconds(0.0, 0.1, 0.015, doc="a scan arrives later than its latency by up to this, evenly drawn")
    range_min_m: float = metres(0.0, 1.0, 0.20, doc="nearest range reported", source=PRACTICE)
    range_max_m: float = metres(5.0, 100.0, 25.0, step=0.5, doc="farthest range reported")
    power_dbm: float = quantity("dBm", -20, 30, 10.0, doc="transmitted power", step=0.5)
    gain_db: float = quantity("dB", 0, 30, 10.0, doc="antenna gain at boresight, one way", step=0.5)
    half_power_beam_deg: float = degrees(20, 360, 120.0, doc="width between the half-power points, one way")
    wavelength_m: float = quantity(
        "m", 0.001, 0.1, 0.0039, doc="wavelength of the carrier, 76 to 77 GHz", step=0.0001, source=PRACTICE
    )
    coherent_s: float = quantity("s", 0.0005, 0.05, 0.010, doc="time summed in phase", step=0.0005)
    chirp_s: float = quantity(
        "s", 1e-5, 1e-3, 7.8e-5, doc="time from chirp to chirp; sets the range rate that folds over", step=1e-6
    )
    noise_figure_db: float = quantity("dB", 0, 30, 12.0, doc="noise of the receiver", step=0.5)
    losses_db: float = quantity("dB", 0, 40, 10.0, doc="bumper, windowing and processing, both ways", step=0.5)
    false_alarm_probability: float = quantity(
        "1", 1e-12, 0.1, 1e-6, doc="probability of a false alarm in a cell; sets the detection threshold"
    )
    false_alarms_per_scan: float = quantity(
        "1", 0.0, 50.0, 0.5, doc="returns of nothing, mean number over all ranges", step=0.1
    )
    range_cell_m: float = metres(0.01, 2.0, 0.15, doc="resolution in range: c/2B at 1 GHz", source="textbooks")
    azimuth_cell_deg: float = degrees(
        0.5, 40, 12.0, doc="resolution in azimuth: about eight elements half a wavelength apart"
    )
    range_floor_m: float = metres(0.0, 0.2, 0.02, doc="range error that no strength of echo removes")
    azimuth_floor_deg: float = degrees(0.0, 5.0, 0.5, doc="azimuth error that no strength of echo removes", step=0.1)
    range_rate_floor_mps: float = speed(
        0.0, 0.5, 0.02, doc="range-rate error that no strength of echo removes", step=0.01
    )
    adult_low_dbsm: float = quantity(
        "dBsm", -30, 10, -11.1, doc="weakest mean of an adult near 77 GHz", step=0.1, source=BAND
    )
    adult_high_dbsm: float = quantity(
        "dBsm", -30, 10, -8.1, doc="strongest mean of an adult near 77 GHz", step=0.1, source=BAND
    )
    child_below_db: float = quantity("dB", 0, 20, 5.0, doc="a child returns less than an adult by", step=0.5)
    front_of_body_m: float = metres(
        0.0, 0.3, 0.115, doc="the torso returns so much nearer than the middle of the body", source=SEEN
    )
    occluding_radius_m: float = metres(0.05, 0.6, 0.25, doc="radius within which a body hides what is behind it")
    facet_m: float = metres(0.05, 2.0, 0.30, doc="spacing of the scatterers along walls and vehicles")
    facet_lobe_deg: float = degrees(
        1.0, 90.0, 15.0, doc="angle from normal incidence at which a facet's lobe has fallen to 1/e"
    )
    facet_floor_db: float = quantity("dB", -60, 0, -20.0, doc="what a facet still returns at a slant", step=1.0)
    corner_db: float = quantity(
        "dB", -60, 20, -3.0, doc="a corner's return beside that of a metre at normal incidence", step=1.0
    )
    under_loss_db: float = quantity(
        "dB", 0, 60, 12.0, doc="lost both ways where a radar looks through under a vehicle", step=1.0
    )
    fence_loss_db: float = quantity("dB", 0, 60, 3.0, doc="lost both ways through a wire fence", step=0.5)
    bounce_loss_db: float = quantity(
        "dB", 0, 60, 10.0, doc="lost at each reflection of a ghost in a smooth wall", step=0.5
    )
    fluctuation_memory_s: float = seconds(
        0.0, 2.0, 0.30, doc="time over which a fluctuation forgets itself; 0: new in each scan", source=WALKED
    )
    standing_memory_s: float = seconds(
        0.0, 5.0, 0.5, doc="time over which a fluctuation forgets itself where radar and what it sees both stand still"
    )
    ground_db: float = quantity(
        "dB", -80, 0, -30.0, doc="echo of a square metre of ground: noise for what stands still; -80: none", step=1.0
    )
    interference_per_minute: float = quantity("1/min", 0.0, 120.0, 1.0, doc="bursts from other radars", step=0.1)
    interference_s: float = seconds(0.01, 10.0, 0.30, doc="length of a burst")
    interference_db: float = quantity("dB", 0, 60, 12.0, doc="a burst raises the noise by", step=1.0)
    fluctuation: bool = switch(True, doc="echoes fluctuate after Swerling 1; off: steady")
    noise: bool = switch(True, doc="range, azimuth and range rate have errors")
    merging: bool = switch(True, doc="returns in one resolution cell are one")
    glint: bool = switch(True, doc="merged points pull the place of their return about as their phases fall")
    limbs: bool = switch(True, doc="arms and legs return too; off: all from the torso")
    surroundings: bool = switch(True, doc="walls, vehicles and other things return")
    occlusion: bool = switch(True, doc="what stands behind something is hidden")
    see_under: bool = switch(True, doc="a radar sees a little under parked vehicles")
    ghosts: bool = switch(True, doc="people are seen again in smooth walls, once and twice reflected")


class UltrasonicTuning(Model):
    """The ring of twelve ultrasonic sensors, six in front and six behind."""

    range_min_m: float = metres(0.0, 0.5, 0.15, doc="nearest range measured", source=PRACTICE)
    range_max_m: float = metres(1.0, 8.0, 4.0, step=0.1, doc="farthest range measured", source=PRACTICE)
    beam_deg: float = degrees(20, 150, 70.0, doc="whole width of one cone", source=PRACTICE)
    cycle_s: float = seconds(0.02, 0.5, 0.10, doc="time between two rounds of the ring")
    latency_s: float = seconds(0.0, 0.3, 0.03, doc="time from a round being taken until it arrives")
    reserve_db: float = quantity("dB", 0, 80, 32.0, doc="echo of a wall 1 m ahead above the threshold", step=1.0)
    absorption_db_per_m: float = quantity("dB/m", 0, 5, 1.3, doc="absorption of air near 50 kHz, one way", step=0.1)
    corner_loss_db: float = quantity("dB", 0, 40, 10.0, doc="an edge's end returns less than its face by", step=1.0)
    kerb_loss_db: float = quantity("dB", 0, 60, 15.0, doc="a kerb returns less than a wall by", step=1.0)
    fence_loss_db: float = quantity("dB", 0, 60, 12.0, doc="a wire fence returns less than a wall by", step=1.0)
    pillar_loss_db: float = quantity("dB", 0, 60, 6.0, doc="a round pillar returns less than a wall by", step=1.0)
    body_loss_db: float = quantity("dB", 0, 40, 9.0, doc="a body returns less than a wall by", step=1.0)
    soft_share: float = share(0.25, doc="share of people in soft clothing")
    soft_loss_db: float = quantity(
        "dB", 0, 40, 12.0, doc="lost in soft clothing, on top of what a body loses", step=1.0
    )
    body_radius_m: float = metres(0.05, 0.4, 0.13, doc="the body's surface is so much nearer than its middle")
    fading_db: float = quantity("dB", 0, 20, 2.0, doc="standard deviation of an echo's level", step=0.5)
    noise_m: float = metres(0.0, 0.2, 0.01, doc="standard deviation of a range")
    noise: bool = switch(True, doc="ranges have errors")
    cross_echoes: bool = switch(True, doc="a sensor hears what its neighbour sent")
    temperature_assumed_deg_c: float = quantity(
        "deg C", -40, 60, 20.0, doc="air temperature that the sensors assume", step=1.0
    )
