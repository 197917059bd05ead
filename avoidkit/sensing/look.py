"""What one radar sees of points and of mirror images: compiled, a ray at a time."""

import math
from typing import NamedTuple

import numpy as np

from avoidkit.jit import compiled
from avoidkit.sensing.kernels import bounce_pairs, facets_in_view, passed


class Sight(NamedTuple):
    """A radar at one instant, as plain numbers: pose and velocity in the scene, field, mount, body, antenna."""

    x: float
    y: float
    yaw: float
    vx: float
    vy: float
    half_field: float  # rad
    farthest: float  # m; points beyond are left out
    mount_x: float
    mount_y: float
    mount_yaw: float
    front: float  # of the vehicle's outline
    rear: float
    half_width: float
    bumper: float  # looks through so much of the own body
    budget: float  # signal to noise of 1 m^2 at 1 m ahead
    half_power: float  # rad


@compiled
def own_body_m(sight, azimuth):
    """How far a ray at an azimuth from boresight runs within the vehicle's own outline, m."""
    angle = azimuth + sight.mount_yaw
    cos, sin = math.cos(angle), math.sin(angle)
    out = math.inf
    if cos > 0.0:
        out = min(out, (sight.front - sight.mount_x) / cos)
    elif cos < 0.0:
        out = min(out, (sight.rear - sight.mount_x) / cos)
    if sin > 0.0:
        out = min(out, (sight.half_width - sight.mount_y) / sin)
    elif sin < 0.0:
        out = min(out, (-sight.half_width - sight.mount_y) / sin)
    return out


@compiled
def polar(sight, x, y, vx, vy):
    """Range, azimuth from boresight within (-pi, pi], and range rate of a moving point."""
    dx, dy = x - sight.x, y - sight.y
    range_m = max(math.sqrt(dx * dx + dy * dy), 1e-9)
    azimuth = math.atan2(dy, dx) - sight.yaw
    azimuth -= 2 * math.pi * math.floor((azimuth + math.pi) / (2 * math.pi))
    rate = ((vx - sight.vx) * dx + (vy - sight.vy) * dy) / range_m
    return range_m, azimuth, rate


@compiled
def in_view(sight, range_m, azimuth):
    """Whether the antenna looks there: in the field of view, apart from the antenna, not through the own body."""
    looks = range_m > 0.02 and abs(azimuth) <= sight.half_field
    return looks and own_body_m(sight, azimuth) <= sight.bumper


@compiled
def beam_of(sight, azimuth):
    """Power that the antenna gives one way beside that at boresight."""
    off = azimuth / sight.half_power
    return math.exp(-math.log(2.0) * off * off)


@compiled
def seen_at(sight, x, y, vx, vy, reflectivity, own_edge, own_body, edges, passes, bodies, radius_m):
    """Range, azimuth, range rate and mean signal to noise (a ratio) of one point; 0 for the last if it is not seen.

    `reflectivity` in m^2; `own_edge`, `own_body`: what the point belongs to, -1 if none; the others as for
    `transmission`.
    """
    range_m, azimuth, rate = polar(sight, x, y, vx, vy)
    if range_m > sight.farthest or reflectivity <= 0.0 or not in_view(sight, range_m, azimuth):
        return range_m, azimuth, rate, 0.0
    share = passed((sight.x, sight.y), (x, y), own_edge, own_body, edges, passes, bodies, radius_m)
    if share <= 0.0:
        return range_m, azimuth, rate, 0.0
    return range_m, azimuth, rate, sight.budget * beam_of(sight, azimuth) ** 2 * reflectivity * share / range_m**4


@compiled
def see_scene(
    sight, points, body, low, xy, normal, peak, edge, corner, lobe, floor, edges, passes, passes_low, bodies, radius_m
):
    """What a radar sees of people and of the facets of things.

    Parameters
    ----------
    sight : Sight
    points : (n, 5) array
        Of people: x, y, vx, vy in the scene, mean reflectivity in m^2.
    body : (n,) int array
        Whom each belongs to.
    low : (n,) bool array
        Near the ground: `passes_low` holds on its way instead of `passes`.
    xy, normal, peak, edge, corner, lobe, floor
        Facets, as for `facets_in_view`; `peak` (m,) in m^2, `edge` (m,) what each belongs to.
    edges, passes, passes_low, bodies, radius_m
        As for `transmission`.

    Returns
    -------
    number : (k,) int array
        Of each point seen; facets are counted on after the n points.
    places : (k, 4) array
        Range, azimuth, range rate, mean signal to noise as a ratio.
    """
    n, count = len(points), 0
    shown, aspect = facets_in_view(
        sight.x, sight.y, sight.yaw, sight.half_field, sight.farthest, xy, normal, corner, lobe, floor
    )
    number, places = np.empty(n + len(shown), np.int64), np.empty((n + len(shown), 4))
    for i in range(n + len(shown)):
        if i < n:
            k, shares = i, passes_low if low[i] else passes
            place = seen_at(
                sight, points[i, 0], points[i, 1], points[i, 2], points[i, 3], points[i, 4], -1, body[i],
                edges, shares, bodies, radius_m,
            )  # fmt: skip
        else:
            k = shown[i - n]
            place = seen_at(
                sight, xy[k, 0], xy[k, 1], 0.0, 0.0, peak[k] * aspect[i - n], edge[k], -1,
                edges, passes, bodies, radius_m,
            )  # fmt: skip
            k += n
        if place[3] > 0.0:
            number[count] = k
            places[count, 0], places[count, 1], places[count, 2], places[count, 3] = place
            count += 1
    return number[:count], places[:count]


@compiled
def polar_of_image(sight, pair, person):
    """Range, azimuth and range rate of somebody's mirror image; `pair` is a row of `bounce_pairs`."""
    normal_x, normal_y = pair[6], pair[7]
    along = 2 * (person[2] * normal_x + person[3] * normal_y)
    return polar(sight, pair[4], pair[5], person[2] - along * normal_x, person[3] - along * normal_y)


@compiled
def see_ghosts(sight, people, walls, wall_edge, edges, passes, radius_m, loss, faint):
    """The mirror ghosts that a radar sees: twice reflected, once and arriving by the wall, once and arriving direct.

    Parameters
    ----------
    sight : Sight
    people : (n, 5) array
        x, y, vx, vy in the scene, mean reflectivity in m^2.
    walls : (w, 4) array
    wall_edge : (w,) int array
        Index of each wall among `edges`.
    edges, passes, radius_m
        As for `transmission`.
    loss : float
        Share of power that is left after one reflection.
    faint : float
        Ghosts below this mean signal to noise are left out.

    Returns
    -------
    places : (k, 4) array
        Range, azimuth, range rate, mean signal to noise.
    draw : (k,) int array
        3 (person w + wall) + kind.
    """
    bodies = np.ascontiguousarray(people[:, :2])
    pairs = bounce_pairs(sight.x, sight.y, bodies, walls, 2 * sight.farthest)
    places, draw = np.empty((3 * pairs.shape[0], 4)), np.empty(3 * pairs.shape[0], np.int64)
    eye, count = (sight.x, sight.y), 0
    direct = np.full(people.shape[0], -1.0)
    for i in range(pairs.shape[0]):
        p, w = int(pairs[i, 0]), int(pairs[i, 1])
        far, far_azimuth, far_rate = polar_of_image(sight, pairs[i], people[p])
        if not in_view(sight, far, far_azimuth):
            continue
        bounce, there = (pairs[i, 2], pairs[i, 3]), (people[p, 0], people[p, 1])
        share = passed(eye, bounce, wall_edge[w], -1, edges, passes, bodies, radius_m)
        if share > 0.0:
            share *= passed(bounce, there, wall_edge[w], p, edges, passes, bodies, radius_m)
        if share <= 0.0:
            continue
        near, near_azimuth, near_rate = polar(sight, people[p, 0], people[p, 1], people[p, 2], people[p, 3])
        near = max(near, 0.05)
        if direct[p] < 0.0:
            direct[p] = 0.0
            if in_view(sight, near, near_azimuth):
                direct[p] = passed(eye, there, -1, p, edges, passes, bodies, radius_m)
        strength, far_beam = sight.budget * people[p, 4], beam_of(sight, far_azimuth)
        twice = strength * far_beam**2 * share * loss**2 / far**4
        once = (
            strength * far_beam * beam_of(sight, near_azimuth) * math.sqrt(share * direct[p]) * loss / (far * near) ** 2
        )
        for kind in range(3):
            snr, range_m = (twice, far) if kind == 0 else (once, 0.5 * (far + near))
            if snr <= faint or range_m > sight.farthest:
                continue
            places[count, 0] = range_m
            places[count, 1] = near_azimuth if kind == 2 else far_azimuth
            places[count, 2] = far_rate if kind == 0 else 0.5 * (far_rate + near_rate)
            places[count, 3] = snr
            draw[count] = 3 * (p * walls.shape[0] + w) + kind
            count += 1
    return places[:count], draw[:count]
