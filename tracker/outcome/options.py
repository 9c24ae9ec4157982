"""Numbers that steer how a vehicle's motion becomes the figures it is judged by."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.options import option

_TRADE = "common practice, no source"


@dataclass(frozen=True)
class OutcomeOptions:
    """Contact and its end, rest, and what still grows at the end of a record."""

    contact_force: float = option(
        1.25, "g", (0.8, 2.0), "stronger braking after the impact counts as free of contact", _TRADE
    )
    contact_share: float = option(
        0.25, "1", (0.1, 0.5), "weak impacts end sooner: share of the greatest acceleration", _TRADE
    )
    contact_least: float = option(
        0.5, "g", (0.1, 1.0), "weaker impacts than this are not distinguished from tyres", _TRADE
    )
    contact_over: float = option(
        0.05, "1", (0.01, 0.1), "contact ends sooner: share of the greatest acceleration", _TRADE
    )
    contact_gap: float = option(
        0.1, "s", (0.02, 0.3), "blows farther apart belong to one contact (a tail slap)", _TRADE
    )
    contact_reach: float = option(
        0.3,
        "m",
        (0.0, 2.0),
        "later blows still count as the article's: distance from its face within which the vehicle "
        "may touch it",
        _TRADE,
    )
    release_fall: float = option(
        0.06, "s", (0.01, 0.3), "slower falls of the last blow's force are used for its end", _TRADE
    )
    release_share: float = option(
        0.5, "1", (0.2, 0.9), "more of that fall is used: from this share of its greatest", _TRADE
    )
    release_after: float = option(
        1.5, "1", (0.5, 4.0), "more of the time after it is used, in the fall's own length", _TRADE
    )
    release_times: int = option(
        8, "1", (5, 50), "a fall that fewer times show is not fitted: its end is that of the level"
    )
    release_steps: int = option(
        150, "1", (20, 2000), "the end is found more finely: moments that are tried"
    )
    release_least: float = option(
        1e-4,
        "1",
        (1e-6, 0.01),
        "velocities known better than this share of their change have no more weight",
    )
    release_none: float = option(
        0.5, "1", (0.0, 0.9), "more of the draws may show no end before the last moment tried"
    )
    release_rounds: int = option(
        3, "1", (1, 10), "the time after contact that is used follows the found end more closely"
    )
    contact_hold: float = option(
        0.02, "s", (0.005, 0.1), "a record must show more of the time after contact", _TRADE
    )
    contact_most: float = option(
        0.9, "1", (0.5, 1.0), "noisy records: contact ends sooner, share of the greatest", _TRADE
    )
    finite_draws: float = option(
        0.9, "1", (0.5, 1.0), "more of the draws must have a value for a value to be stated", _TRADE
    )
    tilt_time: float = option(
        0.15, "s", (0.02, 1.0), "a pitch and roll that nobody saw grow more slowly", _TRADE
    )
    moving_speed: float = option(
        0.1, "m/s", (0.02, 0.5), "a vehicle that comes to rest does so sooner", _TRADE
    )
    moving_sigmas: float = option(
        3.0, "1", (1, 6), "likewise, in the uncertainty of its speed at the film's end", _TRADE
    )
    noise_sigmas: float = option(
        4.0, "1", (2, 6), "acceleration must stand farther out of its uncertainty, at every instant"
    )
    tyres_share: float = option(
        0.8, "1", (0.5, 1), "what tyres give, of the level, that noise comes on top of", _TRADE
    )
    determined: float = option(
        3.0,
        "1",
        (1.5, 10),
        "times the least sd before contact, up to which a component counts as "
        "determined there: a longer span",
    )
    head_on: float = option(
        0.0873, "rad", (0.02, 0.3), "impacts at larger angles count as head-on", _TRADE
    )
    rest_speed: float = option(0.05, "m/s", (0.01, 0.2), "faster vehicles count as at rest", _TRADE)
    rest_growth: float = option(
        0.05, "rad/s or m/s", (0.01, 0.2), "faster growth at the film's end counts as none", _TRADE
    )
    extreme_reach: float = option(
        0.05,
        "s",
        (0.0, 0.3),
        "an extreme is the least that it can be where a film shows farther ahead that it is passed",
        _TRADE,
    )
    vague_rest: float = option(
        0.2,
        "m/s",
        (0.05, 1.0),
        "vehicles whose last speed is vaguer may count as at rest: the most that 2 u may excuse",
        _TRADE,
    )
    standing_speed: float = option(
        0.1, "m/s", (0.02, 0.5), "faster vehicles count as standing at time zero", _TRADE
    )
    box_undecided: float = option(
        0.025,
        "1",
        (0.001, 0.2),
        "more exits count as too near to the edge of their box: share of draws on the other side",
        _TRADE,
    )
    rest_span: float = option(
        0.05, "s", (0.01, 0.5), "the article's last place is a mean over more of its path", _TRADE
    )
    rest_deflection: float = option(
        0.005,
        "m",
        (0.001, 0.05),
        "an article that still moves so far in that span counts as settled",
        _TRADE,
    )
    detached_speed: float = option(
        1.0, "m/s", (0.2, 10), "a lost mark must move faster to count as flown off", _TRADE
    )
    detached_span: float = option(
        0.02, "s", (0.002, 0.2), "that speed is a mean over more of its path", _TRADE
    )
    standing_height_u: float = option(
        0.02, "m", (1e-3, 0.5), "a vehicle at rest may stand higher or lower than before the test"
    )
    standing_angle_u: float = option(
        0.0175, "rad", (1e-3, 0.2), "a vehicle at rest may lean more than before the test"
    )
    photograph_headings: int = option(
        16, "1", (4, 64), "the fit to a later photograph begins from more headings"
    )
    rest_sigmas: float = option(
        2.0, "u", (1.0, 4.0), "likewise, in the uncertainty of speed or growth at the film's end"
    )
    standing_sigmas: float = option(
        3.0, "u", (1.0, 6.0), "likewise, in the uncertainty of its speed at time zero"
    )
    direction_u: float = option(
        0.5 * math.pi, "rad", (0.2, math.pi), "vaguer directions of the impact are stated"
    )


OUTCOME = OutcomeOptions()
