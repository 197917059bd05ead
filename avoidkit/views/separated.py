"""Why somebody limits the speed: stopping and reach over speed, the gap that is left, and the greatest safe speed."""

import math

import numpy as np

from avoidkit.caps import stops
from avoidkit.separation import gap_table, person_caps, reach, sweep_poses
from avoidkit.vehicle import box, stop_distance, stop_time
from avoidkit.views import style
from avoidkit.views.style import BLUE, GREEN, INK, ORANGE, SKY, SOFT, VERMILLION


def gaps_over_speed(situation, tuning):
    """What is left between outline and each person's reach after a stop from each speed.

    Parameters
    ----------
    situation : Situation
    tuning : Tuning

    Returns
    -------
    speeds_mps : (k,) array
        Above 0.
    gaps_m : (n, k) array
        Of each track; negative where reach and outline overlap.
    caps_mps : (n,) array
        The greatest safe speed beside each track, as in the decision.

    Examples
    --------
    >>> from avoidkit import Tuning, load_scene, shipped
    >>> from avoidkit.studies.settled import settled_situation
    >>> scene = load_scene(shipped("scenes") / "open_yard.toml")
    >>> situation = settled_situation(scene, Tuning(), [(8.0, 2.2, 0.0, 0.0)])
    >>> speeds_mps, gaps_m, caps_mps = gaps_over_speed(situation, Tuning())
    >>> bool((np.diff(gaps_m[0]) <= 1e-9).all())  # faster never leaves more
    True
    """
    table = stops(tuning.vehicle, tuning.cycle_s)
    poses = sweep_poses(situation.path, situation.along_m, situation.ego.pose, table.distance_m)
    front, rear, half = box(tuning.vehicle)
    discs = reach(situation.tracks, table.times_s, tuning.people)
    gaps = gap_table(np.ascontiguousarray(poses), front, rear, half, discs.centres, discs.radii)
    level = np.arange(len(table.speed_mps))
    own = gaps[:, level, np.maximum(table.first - 1 + level, 0)]
    caps = np.array([cap.cap_mps for cap in person_caps(situation.tracks, poses, table, tuning)])
    return table.speed_mps[1:], own[:, 1:], caps


def draw_stop(ax, vehicle, cycle_s):
    """Time and distance of a stop over speed, one cycle before the order to brake included."""
    speeds = np.linspace(0.01, vehicle.top_mps, 60)
    limits = (vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2)
    time_s, distance_m = cycle_s + stop_time(speeds, *limits), speeds * cycle_s + stop_distance(speeds, *limits)
    return [
        *ax.plot(speeds, time_s, color=BLUE, label="time (s)"),
        *ax.plot(speeds, distance_m, color=VERMILLION, linestyle="--", label="distance (m)"),
    ]


def draw_reach_parts(ax, situation, tuning, k=0):
    """What the reach of track k is made of at the end of a stop from each speed: body, uncertainty, acceleration."""
    vehicle, people = tuning.vehicle, tuning.people
    speeds = np.linspace(0.01, vehicle.top_mps, 60)
    end_s = tuning.cycle_s + stop_time(speeds, vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2)
    one = situation.tracks.where(np.array([k]))
    whole = reach(one, end_s, people).radii[0]
    body = np.full_like(speeds, max(float(one.extent_m[0]), people.body_radius_m))
    known = reach(one, end_s, people.model_copy(update={"k_sigma": 0.0})).radii[0]
    parts = (body, whole - known, known - body)
    drawn = ax.stackplot(
        speeds, *parts, colors=(SKY, ORANGE, VERMILLION), edgecolor=INK, linewidth=0.5,
        labels=("body", f"{people.k_sigma:g} sigma", "can add by accelerating"),
    )  # fmt: skip
    for layer, hatch in zip(drawn, ("", "..", "//"), strict=True):
        layer.set_hatch(hatch)
    return drawn


def draw_gap(ax, situation, tuning, k=0):
    """The gap left after a stop over speed, the clearance that is needed, and the cap where they meet."""
    speeds, gaps, caps = gaps_over_speed(situation, tuning)
    needed = tuning.decision.clearance_m
    artists = ax.plot(speeds, gaps[k], color=BLUE, label="gap left")
    artists.append(ax.axhline(needed, color=INK, linestyle="--", linewidth=1.6, label=f"needed: {needed:.2f} m"))
    artists.append(
        ax.fill_between(speeds, gaps[k], needed, where=gaps[k] < needed, color=VERMILLION, alpha=0.25, hatch="xx")
    )
    artists.append(ax.axvline(caps[k], color=GREEN, linewidth=3, label=f"cap: {caps[k]:.2f} m/s"))
    creep = tuning.vehicle.creep_mps
    artists.append(ax.axvspan(0, creep, color=SOFT, alpha=0.15, label=f"below creep, {creep:.2f} m/s: halt"))
    return artists


def show_separation(figure, situation, tuning, k=0):
    """Draw stop, reach and gap of one track over speed; at best 15 x 6.2 inches; returns the three axes."""
    with style.look():
        axes = figure.subplots(1, 3)
        draw_stop(axes[0], tuning.vehicle, tuning.cycle_s)
        draw_reach_parts(axes[1], situation, tuning, k)
        draw_gap(axes[2], situation, tuning, k)
        titles = ("How long a stop takes", "How far they get meanwhile", "What is left between")
        labels = ("time (s), distance (m)", "radius of reach (m)", "gap (m)")
        for ax, title, label in zip(axes, titles, labels, strict=True):
            ax.set(xlabel="speed (m/s)", ylabel=label, xlim=(0, tuning.vehicle.top_mps))
            ax.set_title(title, pad=14)
            ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), ncols=2, columnspacing=1.0, handlelength=1.6)
        for ax in axes[:2]:
            ax.set_ylim(0, None)
    return list(axes)


def reach_by_hand(speed_mps, tuning, *, sigma_m, seen_ago_s):
    """Radius of reach of somebody who stands, after a stop from a speed: the sum that the kit makes, term by term.

    Parameters
    ----------
    speed_mps : float
    tuning : Tuning
    sigma_m : float
        Standard deviation of their place at the end of the stop, m.
    seen_ago_s : float
        Time since they were last measured, s.

    Returns
    -------
    dict of float
        `stop_s`, `body_m`, `sigma_m`, `accelerating_m`, `reach_m`.

    Examples
    --------
    >>> from avoidkit import Tuning
    >>> hand = reach_by_hand(0.3, Tuning(), sigma_m=0.02, seen_ago_s=0.03)
    >>> round(hand["stop_s"], 3), round(hand["reach_m"], 3)  # 0.30 + 2.5 * 0.02 + 2.85 / 2 * (0.325 + 0.03)^2
    (0.325, 0.53)
    """
    vehicle, people = tuning.vehicle, tuning.people
    limits = (vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2)
    stop_s = tuning.cycle_s + float(stop_time(speed_mps, *limits))
    t = stop_s + seen_ago_s
    parts = {
        "body_m": people.body_radius_m,
        "sigma_m": people.k_sigma * sigma_m,
        "accelerating_m": 0.5 * max(people.standing_accel_mps2, people.walking_accel_mps2) * t**2,
    }
    return {"stop_s": stop_s, **parts, "reach_m": math.fsum(parts.values())}
