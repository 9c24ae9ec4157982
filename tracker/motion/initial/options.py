"""Numbers that steer how time zero is found from the motion and other evidence."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class OnsetOptions:
    """How the onset of the acceleration at contact is modelled."""

    before: float = option(0.2, "s", (0.02, 2), "motion before contact that is compared: more")
    after: float = option(0.03, "s", (0.01, 0.1), "motion after contact that is compared: more")
    interval: float = option(2e-3, "s", (5e-4, 1e-2), "intervals of a white third derivative")
    path_u: float = option(10.0, "m", (1, 1e3), "prior of the place along the path: freer")
    speed_u: float = option(50.0, "m/s", (5, 500), "prior of the speed along it: freer")
    coasting_u: float = option(
        1.0,
        "m/s2",
        (0.1, 10),
        "acceleration of a vehicle that coasts (rolling and air: under 0.5): freer",
        "common practice, no source",
    )
    step_u: float = option(300.0, "m/s2", (30, 3e3), "step of the acceleration at contact: harder")
    slope_u: float = option(
        1e4,
        "m/s3",
        (1e3, 1e5),
        "its slope then: steeper (stiffness 1e6 N/m, 25 m/s, 1500 kg give 1.7e4)",
        "common practice, no source",
    )
    place_u: float = option(0.02, "m", (1e-3, 1), "how far other places may be off: freer")
    angle_u: float = option(0.01, "rad", (1e-3, 0.1), "the same of angles: freer")
    least_speed: float = option(2.0, "m/s", (0.1, 20), "least speed that makes times of crushes")
    coarse_times: int = option(41, "1", (11, 500), "times that are tried at once: finer, slower")
    rounds: int = option(4, "1", (1, 10), "most changes of what is compared")
    near_enough: float = option(2e-3, "s", (1e-4, 1e-2), "distance from the middle that ends them")
    reach: float = option(0.015, "s", (2e-3, 0.1), "how far from the first guess contact is sought")
    least_frames: float = option(3.0, "1", (1, 20), "frames before contact at the least")
    least_after: float = option(5e-3, "s", (1e-3, 0.02), "motion after contact at the least")
    least_step: float = option(1e-5, "s", (1e-7, 1e-3), "least frame interval that counts")
    fine_from: float = option(3.0, "1", (1, 10), "steps of the scan from which on u is fine enough")
    fine_reach: float = option(4.0, "1", (2, 8), "reach of the finer scan, u")


@dataclass(frozen=True)
class ZeroOptions:
    """How the pieces of evidence for time zero are put together."""

    apart_sds: float = option(
        3.0, "sd", (2, 6), "from here on sources of time zero disagree: fewer warnings"
    )
    wrong_u: float = option(
        3e-3,
        "s",
        (5e-4, 2e-2),
        "sd of a source that is wrong (lamps behind relays, bumpers: some ms): wider",
        "common practice, no source",
    )
    soft_crush: float = option(
        0.005,
        "m",
        (0.0, 0.3),
        "crush before the force of contact can be seen (bumper foam): an onset is vaguer",
        "common practice, no source",
    )
    body_u: float = option(
        0.003,
        "m",
        (0.0, 0.1),
        "marks that one camera sees may lie off those that another sees (survey of axes, panels): "
        "clocks that the motion calls apart are fewer",
        "common practice, no source",
    )
    clock_wrong: float = option(0.02, "1", (1e-3, 0.5), "how often a camera's time zero is wrong")
    late_probability: float = option(
        0.3,
        "1",
        (0.0, 0.5),
        "how often a lamp of unknown lag is late by anything up to the most that is ordinary: with "
        "0.3 one late by 2 ms is 3.1 u off where no motion shows it",
        "common practice, no source",
    )
    named_late: float = option(
        0.9, "1", (0.5, 0.999), "a lamp is named as late when that is more probable"
    )
    contradicted_wrong: float = option(
        0.5,
        "1",
        (0.05, 0.9),
        "the same of one of two that contradict each other through the motion",
    )
    motion_wrong: float = option(
        0.2, "1", (1e-3, 0.5), "how often the onset of the motion is not contact"
    )
    reach: float = option(8e-3, "s", (2e-3, 0.05), "how far from the clocks' zero it is sought")
    vague_u: float = option(3e-3, "s", (5e-4, 0.02), "an onset is worth nothing from this u on")
    judging_u: float = option(
        1e-3, "s", (1e-4, 0.01), "a source vaguer than that judges no other that it agrees with"
    )
    least_frames: int = option(8, "1", (3, 100), "frames before and after that an onset needs")
    least_information: float = option(
        0.02, "1", (1e-3, 0.5), "share of its variance that the motion must determine of a clock"
    )
    moved: float = option(
        0.25, "1", (0.05, 1), "shift over u from which on motions are solved again"
    )
    sharper: float = option(0.7, "1", (0.1, 1), "the same of u over that of the clocks")


ONSET = OnsetOptions()
ZERO = ZeroOptions()
