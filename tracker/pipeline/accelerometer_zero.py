"""Time zero once more, with the onset that an accelerometer of the striking vehicle shows.

The block's clock is brought to the films' by the whole blow: the shift at which the film's velocity
change is that of the channel. So neither its time zero nor the lamps' counts here. Film and channel
show one and the same onset: together they are one source, with what both may miss of it (foam that
gives before the force can be seen) once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from tracker.accelerometers import Accelerometer, condition
from tracker.accelerometers.contact_onset import contact_onset
from tracker.accelerometers.options import CHANNEL_ONSET
from tracker.core.time_series import integrate
from tracker.core.types import Progress
from tracker.crosscheck import ChannelTolerance
from tracker.crosscheck.predicted_channels import predict
from tracker.motion import CameraEvidence, Solution, VehicleGeometry, solve
from tracker.motion.initial.options import ZERO
from tracker.motion.time_zero import TimeZero, ZeroSource, apart_warning, combine_sources
from tracker.outcome.headline import COLUMN
from tracker.pipeline.options import ACCELEROMETER_ZERO

_ABOUT_ZERO = ("time_zero_disagrees", "contact_unclear")
"""Findings about time zero that the accelerometers supersede."""


def with_accelerometer_zero(
    solution: Solution,
    cameras: Mapping[str, CameraEvidence],
    vehicles: Mapping[str, VehicleGeometry],
    blocks: Sequence[Accelerometer],
    progress: Progress | None = None,
) -> Solution:
    """The solution with time zero by the accelerometers' onset, too; solved again where that moves
    it. The same where no block shows one.
    """
    striking = [v for v in solution.vehicles if vehicles[v].role == "striking"]
    own = [b for b in blocks if b.vehicle in striking[:1]]
    found = [onset for b in own if (onset := block_onset(solution, b)) is not None]
    if not found:
        return solution
    best = min(found, key=lambda onset: onset.u)
    speed = abs(float(solution.motion(striking[0], np.zeros(1)).state[0, COLUMN["vx_mps"]]))
    zero = _with_onset(solution, best, max(speed, ACCELEROMETER_ZERO.least_speed))
    at, u = solution.contact
    found_first = [f for f in solution.findings if f.code not in _ABOUT_ZERO]
    warning = apart_warning(zero)
    findings = dict.fromkeys((*found_first, *([] if warning is None else [warning])))
    if zero.is_reached(at, u):
        wider = max(u, float(np.hypot(zero.u, zero.value - at)))
        return replace(solution, time_zero=zero, contact=(at, wider), findings=tuple(findings))
    later = {n: _camera_on(solution, n, camera, zero.value) for n, camera in cameras.items()}
    again = solve(later, vehicles, zero=zero.since(zero.value), progress=progress)
    findings |= dict.fromkeys(again.findings)
    return replace(again, findings=tuple(findings))


def block_onset(solution: Solution, block: Accelerometer) -> ZeroSource | None:
    """Contact as a sound block shows it, without what crush before the force adds to its u; None
    where its ax is faulty, doesn't fit the film or can't be brought to its clock.
    """
    if "ax" not in block.channels or any(f.channel == "ax" for f in block.findings):
        return None
    known = condition(block)
    noise, offset_u = known.noise["ax"], known.offset_u["ax"]
    if not (noise > 0 and np.isfinite(offset_u)):
        return None
    clock = _clock_shift(solution, block, known.channels["ax"], offset_u)
    if clock is None:
        return None
    shift, shift_u = clock
    level = block.channels["ax"] - known.offset["ax"]
    try:
        value, u = contact_onset(block.time, level, noise, -shift, CHANNEL_ONSET.reach)
    except ValueError:
        return None
    total = float(np.hypot(u, shift_u))
    if total > ZERO.judging_u:
        return None
    name = f"onset of accelerometer {block.name} of {block.vehicle}"
    return ZeroSource(name, value + shift, total, ZERO.motion_wrong)


def _clock_shift(
    solution: Solution, block: Accelerometer, ax: Array, offset_u: float
) -> tuple[float, float] | None:
    """The films' time less the block's, s, and its u, by generalised least squares on velocity
    changes: unknown beside it are scale and offset of the channel and a velocity at first.
    """
    first, last = solution.span(block.vehicle)
    options, tolerance = ACCELEROMETER_ZERO, ChannelTolerance()
    good = np.isfinite(ax)
    start = max(first, float(block.time[good][0]) + options.margin, -options.before)
    end = min(last, float(block.time[good][-1]) - options.margin, options.after)
    times = np.arange(start, end, options.step)
    if len(times) < options.least_times or start > 0:
        return None
    lever = block.at - solution.cg(block.vehicle)
    draws = solution.draws(options.draws, options.seed)
    draws = replace(draws, shift=np.zeros(len(draws)))
    state = solution.motion(block.vehicle, times).state
    film = predict({"ax"}, state, draws.states(block.vehicle, times), times, lever)["ax"]
    errors = film.draws - film.draws.mean(axis=0)
    apart = np.abs(times[:, None] - times[None]) / tolerance.vibration_time
    covariance = errors.T @ errors / len(errors) + tolerance.vibration**2 * np.exp(-apart)
    covariance += options.start_u**2
    root = np.linalg.cholesky(covariance)
    time, ax = block.time[good], ax[good]
    integral = integrate(time, ax)
    prior = np.array([options.shift_u, tolerance.scale, np.hypot(offset_u, tolerance.offset)])
    at = 0.0
    for _ in range(options.rounds):
        own = np.interp(times - at, time, integral)
        own -= own[0]
        reading = np.interp(times - at, time, ax)
        design = np.column_stack([reading[0] - reading, own, times - times[0]])
        rows = np.linalg.solve(root, design * prior)
        left = np.linalg.solve(root, film.integral - own)
        whole = rows.T @ rows + np.eye(3)
        unit = np.linalg.solve(whole, rows.T @ left)
        at += float(unit[0] * prior[0])
        if abs(at) > options.most_shift:
            return None
    unit[0] = 0.0
    rest = left - rows @ unit
    u = float(prior[0] * np.sqrt(np.linalg.inv(whole)[0, 0]))
    fits = rest @ rest < options.misfit * len(times) and np.all(np.abs(unit) < options.unit_most)
    return (at, u) if fits and u < ZERO.judging_u else None


def _with_onset(solution: Solution, onset: ZeroSource, speed: float) -> TimeZero:
    """All sources with the block's onset, which is one with that of the motion where they agree:
    crush that neither shows over the `speed`, m/s, is in its u once.
    """
    film_crush_u = ZERO.soft_crush / speed
    old = solution.time_zero
    sources = () if old is None else old.sources
    clocks = [s for s in sources if s.is_clock]
    names = {s.name for s in clocks}
    pairs = [] if old is None else [pair for pair in old.apart if names.issuperset(pair)]
    value, u, name = onset.value, onset.u, onset.name
    rest = []
    for motion in (s for s in sources if not s.is_clock):
        own = float(np.sqrt(max(motion.u**2 - film_crush_u**2, 0.0))) if clocks else motion.u
        own = max(own, onset.u)  # no surer than the channel, which has no frames between
        if abs(motion.value - value) > ZERO.apart_sds * np.hypot(own, u):
            rest.append(motion)
            continue
        weight = own**2 / (own**2 + u**2)
        value, u = weight * value + (1 - weight) * motion.value, float(np.sqrt(weight) * u)
        name = f"{motion.name} and {onset.name}"
    u = float(np.hypot(u, ACCELEROMETER_ZERO.soft_crush / speed))
    both = replace(onset, name=name, value=value, u=u)
    return combine_sources([*clocks, *rest, both], pairs)


def _camera_on(
    solution: Solution, name: str, camera: CameraEvidence, contact: float
) -> CameraEvidence:
    """A camera whose clock is where the solution had it, counted from `contact` (s) there."""
    clocks = solution.clocks
    if name not in clocks:
        return camera
    known = {n: c.offset_u for n, c in clocks.items()}
    surest = min(known, key=lambda n: known[n])
    zero_u = 0.0 if name == surest else max(camera.zero_u, known[name])
    zero_u = zero_u if np.isfinite(zero_u) else max(ACCELEROMETER_ZERO.open_u, known[name])
    return replace(camera, zero=clocks[name].offset - contact, zero_u=zero_u, zero_common_u=0.0)
