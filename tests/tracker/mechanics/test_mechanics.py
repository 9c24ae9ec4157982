"""Momentum, energy and force of two vehicles that strike, against mechanics worked by hand."""

import json
from dataclasses import replace
from importlib.resources import files

import jsonschema
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from calibration.constants import GRAVITY
from tests.support.made_results import made_results
from tracker.core.types import STATE
from tracker.mechanics import Stated, force_crush, make_pair, mechanics
from tracker.mechanics.force_crush import shortest_wave
from tracker.mechanics.options import MECHANICS
from tracker.mechanics.two_mass_model import CushionForce, drive
from tracker.outcome.headline import PosteriorSamples
from tracker.report.mechanics import mechanics as shown
from tracker.report.plots import draw_plots
from tracker.results.json import results_json

CAR, TRUCK = 1100.0, 9000.0  # kg
SPEED, FORCE, MU = 25.0, 120e3, 0.2  # m/s, N, 1
REBOUND = 0.4  # m/s
STEP = 5e-4  # s
X, V, A = (STATE.index(name) for name in ("x_m", "vx_mps", "ax_mps2"))


ROLLING = MECHANICS.rolling


def closed_form(force=FORCE, mass=CAR, other=TRUCK, speed=SPEED, mu=MU, last=0.35):
    """Motions of both under a constant force until their speeds are equal; then they part at
    `REBOUND` and the car rolls, the truck slides. Worked by hand, no code of the project.
    """
    t = np.arange(round(last / STEP) + 1) * STEP
    slow = force / mass + ROLLING * GRAVITY
    gain = force / other - mu * GRAVITY
    common = speed / (slow + gain)
    pushed = np.minimum(t, common)
    free = np.maximum(t - common, 0.0)
    kick = REBOUND * (t > common)  # one blow that keeps the momentum
    v1 = speed - slow * pushed - kick * other / (mass + other)
    v2 = gain * pushed + kick * mass / (mass + other)
    x1 = speed * pushed - 0.5 * slow * pushed**2
    x2 = 0.5 * gain * pushed**2
    x1 += v1 * free - 0.5 * ROLLING * GRAVITY * free**2
    x2 += v2 * free - 0.5 * mu * GRAVITY * free**2
    a1 = np.where(t <= common, -slow, -ROLLING * GRAVITY)
    a2 = np.where(t <= common, gain, -mu * GRAVITY)
    v1, v2 = v1 - ROLLING * GRAVITY * free, v2 - mu * GRAVITY * free
    return t, common, (x1, v1, a1), (x2, v2, a2)


def drawn(time, motion, rng, sd=(0.0, 0.0), count=40):
    state = np.zeros((len(time), 15))
    state[:, X], state[:, V], state[:, A] = motion
    draws = np.repeat(state[None], count, axis=0)
    draws[:, :, V] += sd[0] * rng.standard_normal((count, 1))
    draws[:, :, A] += sd[1] * rng.standard_normal((count, len(time)))
    return PosteriorSamples(time, state, draws)


def pair_of(time, car, truck, masses=(CAR, TRUCK), mass_u=(0.0, 0.0), sd=(0.0, 0.0)):
    rng = np.random.default_rng(0)
    return make_pair(drawn(time, car, rng, sd), drawn(time, truck, rng, sd), masses, mass_u)


@pytest.fixture(scope="module")
def reported():
    time, common, car, truck = closed_form()
    pair = pair_of(time, car, truck)
    curve = force_crush(pair)
    stated = Stated(length=3.0, front_crush=0.25)
    return common, mechanics(pair, curve, ("car", "truck"), common + 0.01, stated), curve


def test_a_constant_force_is_found_constant(reported):
    _, _, curve = reported
    assert curve.force == pytest.approx(FORCE, rel=1e-9)
    assert curve.energy == pytest.approx(FORCE * curve.closing, rel=1e-9)


def test_momentum_and_energy_are_kept(reported):
    common, found, _ = reported
    assert found.momentum.before.value == pytest.approx(CAR * SPEED)
    assert found.momentum.residual.value == pytest.approx(0.0, abs=0.003 * CAR * SPEED)
    assert found.energy.residual.value == pytest.approx(0.0, abs=0.003 * 0.5 * CAR * SPEED**2)
    way = 0.5 * SPEED * common  # both accelerate evenly, so the closing is a parabola
    assert found.energy.absorbed.value == pytest.approx(FORCE * way, rel=0.003)
    assert found.energy_to_greatest.value == pytest.approx(FORCE * way, rel=0.003)
    assert found.mean_force.value == pytest.approx(FORCE, rel=0.003)
    assert found.stroke_used.value == pytest.approx((way - 0.25) / 3.0, rel=1e-3)


def test_the_roll_ahead_tells_the_tyre_friction(reported):
    _, found, _ = reported
    assert found.friction_source == "roll-ahead"
    assert found.friction.value == pytest.approx(MU, rel=1e-3)


def test_the_way_to_rest_of_a_truck_that_still_rolls():
    """Uniform deceleration: the truck leaves contact at v and slides v^2 / 2 mu g in all; the film
    shows a part, and its travel so far was called the roll-ahead.
    """
    time, common, car, truck = closed_form(last=0.6)
    pair = pair_of(time, car, truck)
    found = mechanics(pair, force_crush(pair), ("car", "truck"), common + 0.01)
    gain = FORCE / TRUCK - MU * GRAVITY
    leaves = gain * common + REBOUND * CAR / (CAR + TRUCK)
    whole = 0.5 * gain * common**2 + leaves**2 / (2 * MU * GRAVITY)
    assert truck[0][-1] < 0.9 * whole
    assert found.stopping.value == pytest.approx(whole, rel=1e-3)
    assert found.stopping.u == pytest.approx(0.05 * (whole - truck[0][-1]), rel=0.35)
    still = pair_of(time[time < 0.1], *([c[time < 0.1] for c in m] for m in (car, truck)))
    assert mechanics(still, force_crush(still), ("car", "truck"), np.inf).stopping is None


def test_without_a_roll_ahead_friction_is_assumed_and_said_so():
    time, common, car, truck = closed_form(last=0.15)
    pair = pair_of(time, car, truck)
    found = mechanics(pair, force_crush(pair), ("car", "truck"), float(time[-1]))
    assert time[-1] < common
    assert not found.contact_ended
    assert found.restitution is None
    assert found.friction_source == "assumed"
    assert found.friction.u > 0.03
    # The uncertainty of friction is in the balance, which so far holds for any.
    assert abs(found.momentum.residual.value) < 2 * found.momentum.residual.u


def test_a_wrong_mass_leaves_a_residual_of_momentum():
    time, common, car, truck = closed_form()
    sound = pair_of(time, car, truck, mass_u=(3.0, 20.0))
    wrong = pair_of(time, car, truck, masses=(CAR * 1.1, TRUCK), mass_u=(3.0, 20.0))
    for pair, expected in ((sound, False), (wrong, True)):
        found = mechanics(pair, force_crush(pair), ("car", "truck"), common + 0.01)
        residual = found.momentum.residual
        assert (abs(residual.value) > 3 * residual.u) is expected


def test_an_uncertain_mass_and_deceleration_widen_the_band():
    time, _, car, truck = closed_form()
    heavy = (0.01 * CAR, 0.0)
    narrow = force_crush(pair_of(time, car, truck, mass_u=heavy, sd=(0.0, 0.5)))
    wide = force_crush(pair_of(time, car, truck, mass_u=heavy, sd=(0.0, 4.0)))
    # A wrong mass is wrong all along, noise averages out of the energy.
    for curve in (narrow, wide):
        assert curve.energy_u[-1] / curve.energy[-1] == pytest.approx(0.01, rel=0.4)
    assert np.median(wide.force_u) > 2 * np.median(narrow.force_u)


def test_a_film_that_shows_no_folds_leaves_them_in_the_band():
    """Draws that err together over the whole way come from a film too coarse for the folds."""
    time, _, car, truck = closed_form()
    fine = force_crush(pair_of(time, car, truck, sd=(0.0, 1.0)))
    rng = np.random.default_rng(0)
    one, other = drawn(time, car, rng), drawn(time, truck, rng)
    one.draws[:, :, A] += rng.standard_normal((len(one.draws), 1))
    coarse = force_crush(make_pair(one, other, (CAR, TRUCK), (0.0, 0.0)))
    assert shortest_wave(fine.draws - fine.force, fine.closing) < 0.1
    assert shortest_wave(coarse.draws - coarse.force, coarse.closing) > 0.5
    assert np.median(coarse.force_u) > 0.03 * FORCE
    assert np.median(fine.force_u) < 0.02 * FORCE


def test_restitution_is_parting_speed_over_closing_speed():
    time, common, car, truck = closed_form()
    pair = pair_of(time, car, truck)
    found = mechanics(pair, force_crush(pair), ("car", "truck"), common + 0.001)
    assert found.restitution.value == pytest.approx(REBOUND / SPEED, rel=0.02)


def test_vehicles_that_do_not_close_have_no_curve():
    time = np.arange(100) * STEP
    still = (0 * time, 0 * time, 0 * time)
    assert force_crush(pair_of(time, still, still)) is None


def test_a_motion_that_no_camera_shows_has_no_mechanics():
    time, _, car, truck = closed_form()
    unseen = tuple(part + np.nan for part in truck)
    assert pair_of(time, car, unseen) is None


# --- the two-mass model ---


def ones(value, rows=3):
    return np.full(rows, float(value))


def cushion_of(grid, force, unloading):
    """A cushion whose force does not depend on speed."""
    return CushionForce(grid, force, unloading, np.zeros_like(grid), np.zeros(len(force)))


def constant(force, closing=5.0, rows=3):
    grid = np.linspace(0, closing, 60)
    return cushion_of(grid, np.full((rows, 60), float(force)), ones(0.02, rows))


def test_the_model_keeps_to_the_closed_form_of_a_constant_force():
    time, common, car, truck = closed_form()
    got = drive(constant(FORCE), ones(CAR), ones(SPEED), ones(TRUCK), ones(MU), ones(ROLLING))
    during = got.time < common - 0.001
    assert got.speed[0, during] == pytest.approx(
        np.interp(got.time, time, car[1])[during], abs=2e-3
    )
    assert got.struck_speed[0, during] == pytest.approx(
        np.interp(got.time, time, truck[1])[during], abs=2e-3
    )
    assert got.closing[0].max() == pytest.approx(0.5 * SPEED * common, rel=1e-3)
    assert np.isinf(got.unknown_from).all()


def test_a_blocked_truck_takes_all_of_the_energy_into_the_cushion():
    got = drive(constant(FORCE), ones(CAR), ones(SPEED), None, ones(MU), ones(0.0))
    assert got.closing[0].max() == pytest.approx(0.5 * CAR * SPEED**2 / FORCE, rel=1e-4)
    assert not got.struck_speed.any()


def test_a_linear_spring_gives_half_a_sine():
    stiffness, mass = 2e5, 1200.0
    grid = np.linspace(0, 3, 400)
    spring = cushion_of(grid, np.tile(stiffness * grid, (2, 1)), ones(3.0, 2))
    got = drive(spring, ones(mass, 2), ones(12.0, 2), None, ones(0, 2), ones(0, 2))
    omega = np.sqrt(stiffness / mass)
    loading = got.time < np.pi / 2 / omega
    expected = 12.0 * np.cos(omega * got.time[loading])
    assert got.speed[0, loading] == pytest.approx(expected, abs=5e-3)


def test_the_model_agrees_with_a_general_solver_on_a_bumpy_cushion():
    grid = np.linspace(0, 4, 300)
    force = 80e3 + 30e3 * grid + 15e3 * np.sin(9 * grid)
    got = drive(
        cushion_of(grid, force[None], ones(0.02, 1)),
        ones(900, 1), ones(22, 1), ones(7000, 1), ones(MU, 1), ones(ROLLING, 1),
    )  # fmt: skip

    def rates(t, s):
        push = np.interp(s[0], grid, force)
        return [
            s[1] - s[2],
            -push / 900 - ROLLING * GRAVITY,
            push / 7000 - MU * GRAVITY,
        ]

    other = solve_ivp(rates, (0, 0.12), [0, 22, 0], rtol=1e-9, atol=1e-9, t_eval=[0.06, 0.12])
    for k, t in enumerate(other.t):
        i = round(t / 2e-4)
        assert [got.closing[0, i], got.speed[0, i], got.struck_speed[0, i]] == pytest.approx(
            other.y[:, k], rel=2e-4
        )


def test_a_truck_that_is_held_by_its_tyres_stays():
    got = drive(constant(5e3), ones(CAR), ones(2.0), ones(TRUCK), ones(0.8), ones(0.0))
    assert not got.struck_speed.any()


# Common practice: a plastic impact of 4,250 lb at 45 mi/h on a parked 12,000 lb truck leaves both
# at 11.8 mi/h; 4250 / 16250 * 45 = 11.77.
def test_a_plastic_impact_shares_the_momentum():
    lb, mph = 0.45359237, 0.44704
    heavy = (ones(4250 * lb), ones(12_000 * lb))
    got = drive(constant(135e3), heavy[0], ones(45 * mph), heavy[1], ones(0.0), ones(0.0))
    shared = (heavy[0] * got.speed.T + heavy[1] * got.struck_speed.T) / (heavy[0] + heavy[1])
    assert shared / mph == pytest.approx(11.769, abs=2e-3)
    at = int(np.argmax(got.closing[0]))
    assert got.speed[0, at] / mph == pytest.approx(11.77, abs=0.05)


# --- what is written of it ---


@pytest.fixture(scope="module")
def written(reported):
    _, found, curve = reported
    return replace(made_results("us"), mechanics=found, force_crush=curve)


def test_results_with_mechanics_keep_to_the_schema(written):
    schema = files("tracker.results") / "results.schema.json"
    jsonschema.validate(results_json(written), json.loads(schema.read_text("utf-8")))


@pytest.mark.slow
def test_the_report_shows_balances_the_cushion_and_the_curve(written, tmp_path):
    captions = draw_plots(written, tmp_path)
    heading, _, balances, cushion, plot = shown(written, captions)
    assert heading.text == "Mechanics"
    assert plot.name == "car-force-crush"
    assert (tmp_path / "car-force-crush.svg").stat().st_size > 5000
    momentum = balances.rows[0][1]
    assert float(momentum.split("±")[0]) == pytest.approx(CAR * SPEED / 4.4482216152605, rel=1e-3)
    rows = dict(cushion.rows)
    assert float(rows["Mean crush force (kip)"].split("±")[0]) == pytest.approx(
        FORCE / 4448.2216, rel=2e-3
    )
    assert "0.82 ft that the front took" in cushion.note
    data = (tmp_path / "car-force-crush.csv").read_text().splitlines()
    assert data[0].startswith("closing (ft),force (kip)")


def test_results_without_mechanics_have_no_such_section():
    assert shown(made_results(), {}) == []


def test_an_assumed_friction_is_said_to_be_one(reported):
    _, found, _ = reported
    reported = replace(made_results(), mechanics=replace(found, friction_source="assumed"))
    assert "it is assumed" in shown(reported, {})[3].note
