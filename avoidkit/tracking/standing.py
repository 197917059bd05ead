"""Standing or walking over time: since when, and how long ago."""

import numpy as np

from avoidkit.jit import compiled
from avoidkit.tracking.bank import SEEN_S, STANDS_SINCE_S, STOOD_S, WALKS_SINCE_S


@compiled
def remember(life, modes, taken_s, probability, watched_s):
    """Note at one scan who stands and who walks, in place.

    Someone stands while the standing probability is at least `probability`. Someone is watched walking
    while it is below and the last measurement is at most `watched_s` old.
    """
    for i in range(len(life)):
        if modes[i, 0] >= probability:
            if not life[i, STANDS_SINCE_S] < np.inf:
                life[i, STANDS_SINCE_S] = taken_s
            life[i, STOOD_S] = taken_s
            life[i, WALKS_SINCE_S] = np.inf
            continue
        life[i, STANDS_SINCE_S] = np.inf
        if taken_s - life[i, SEEN_S] > watched_s:
            life[i, WALKS_SINCE_S] = np.inf
        elif not life[i, WALKS_SINCE_S] < np.inf:
            life[i, WALKS_SINCE_S] = taken_s


def standing_times(life, standing, now_s, probability, enough_s):
    """How long each track has stood, and how long ago it last did or may have: (n,) and (n,), s.

    The second is the time for which it has been watched walking without a break, 0 if not watched: whoever was out of
    sight may have stood a moment ago. inf only for those who never stood and were watched for `enough_s`.
    """
    stands = standing >= probability
    since, walks = life[:, STANDS_SINCE_S], life[:, WALKS_SINCE_S]
    standing_for_s = np.where(stands & np.isfinite(since), now_s - np.minimum(since, now_s), 0.0)
    walked_s = np.where(np.isfinite(walks), now_s - np.minimum(walks, now_s), 0.0)
    never = ~np.isfinite(life[:, STOOD_S]) & (walked_s >= enough_s)
    ago_s = np.where(stands, 0.0, np.where(never, np.inf, walked_s))
    return standing_for_s, ago_s
