"""Which channels may join a film, as what evidence, and what is reported without a film.

Source of the closed form: constant acceleration a, flail distance d: impact after sqrt(2 d / a) at
sqrt(2 a d) (kinematics; NCHRP Report 350 for the 0.6 m).
"""

from pathlib import Path

import numpy as np
import pytest

from tests.support.small_scene import record_text, write_film
from tracker.accelerometers import Accelerometer, ChannelFault, judge_channels
from tracker.crosscheck import ChannelCheck, CrossCheck
from tracker.pipeline.analyse import analyse
from tracker.pipeline.fusion import evidence_of, joining_channels
from tracker.pipeline.options import FUSION
from tracker.record.load import load_record

BRAKING = 120.0  # m/s^2


def check(**verdicts: tuple[str, tuple[str, ...]]) -> CrossCheck:
    """A cross-check with these verdicts and kinds of findings by channel."""
    channels = {
        name: ChannelCheck(
            name,
            verdict,  # type: ignore[arg-type]
            None,
            object() if kinds else None,  # type: ignore[arg-type]
            tuple(ChannelFault(name, k, 1.0, 0.1, "m/s2", k) for k in kinds),  # type: ignore[arg-type]
            "",
        )
        for name, (verdict, kinds) in verdicts.items()
    }
    return CrossCheck("agree", None, channels, ())


def pulse(noise: float = 0.5) -> Accelerometer:
    """A square pulse in ax, 10,000 samples a second, offset by 2 m/s^2."""
    time = np.arange(-0.1, 0.2, 1e-4)
    rng = np.random.default_rng(0)
    ax = np.where(time >= 0, -BRAKING, 0.0) + noise * rng.standard_normal(len(time))
    return judge_channels("car", np.zeros(3), time, {"ax": ax + 2.0}, None)


def test_channels_that_agree_or_that_nobody_can_judge_join() -> None:
    reported = check(ax=("agree", ()), ay=("undetermined", ()), az=("disagree", ("scale",)))
    assert joining_channels(reported) == ("ax", "ay")


def test_a_block_whose_main_channel_is_faulty_or_unjudged_stays_out() -> None:
    assert joining_channels(check(ax=("disagree", ("scale",)), ay=("agree", ()))) == ()
    assert joining_channels(check(ax=("undetermined", ()), ay=("agree", ()))) == ()
    assert joining_channels(check(ay=("agree", ()))) == ()


def test_a_channel_that_is_only_clipped_joins() -> None:
    assert joining_channels(check(ax=("disagree", ("saturation",)))) == ("ax",)
    assert joining_channels(check(ax=("disagree", ("saturation", "time_shift")))) == ()


def test_evidence_is_the_mean_reading_less_what_was_read_before_time_zero() -> None:
    reported = evidence_of(pulse(), ("ax",))
    assert reported is not None
    assert reported.width == pytest.approx(FUSION.width)
    later, sooner = reported.seconds > FUSION.width, reported.seconds < -FUSION.width
    assert reported.values["ax"][later] == pytest.approx(-BRAKING, abs=1.0)
    assert reported.values["ax"][sooner] == pytest.approx(0.0, abs=1.0)
    scatter = np.std(reported.values["ax"][sooner])
    assert scatter < 2 * reported.noise["ax"]


def test_clipped_samples_are_no_evidence() -> None:
    time = np.arange(-0.1, 0.2, 1e-4)
    true = -150.0 * np.sin(np.pi * np.clip(time, 0.0, 0.1) / 0.1)
    noise = np.random.default_rng(2).normal(0.0, 0.5, len(time))
    read = {"ax": np.clip(true + noise, -120.0, 120.0)}
    block = judge_channels("car", np.zeros(3), time, read, 120.0)
    assert [f.kind for f in block.findings] == ["saturation"]
    reported = evidence_of(block, ("ax",))
    assert reported is not None
    beyond = np.interp(reported.seconds, time, true) < -125.0
    within = np.interp(reported.seconds, time, true) > -112.0
    assert beyond.any()
    assert np.isnan(reported.values["ax"][beyond]).all()
    assert np.isfinite(reported.values["ax"][within]).all()


def test_a_vehicle_that_no_film_shows_is_reported_by_its_accelerometer(tmp_path: Path) -> None:
    text = record_text(picks=True)
    kept, skip = [], False
    for line in text.splitlines():
        if line.startswith("["):
            skip = "markers]" in line or ".picks]" in line
        if not skip:
            kept.append(line)
    kept += [
        "[[accelerometers]]",
        'vehicle = "car"',
        'at = ["0 m", "0 m", "-0.6 m"]',
        'file = "car.csv"',
        'time = { column = "t", unit = "s" }',
        'channels = { ax = { column = "ax", unit = "m/s^2" } }',
    ]
    time = np.arange(-0.1, 0.2, 2e-4)
    noise = np.random.default_rng(1).normal(0.0, 0.2, len(time))
    ax = np.where(time >= 0, -BRAKING, 0.0) + noise
    rows = [f"{t:.5f},{a:.4f}" for t, a in zip(time, ax, strict=True)]
    (tmp_path / "car.csv").write_text("\n".join(["t,ax", *rows]), encoding="utf-8")
    (tmp_path / "record.toml").write_text("\n".join(kept), encoding="utf-8")
    write_film(tmp_path / "above.mp4")

    results = analyse(load_record(tmp_path / "record.toml"))

    car = results.vehicles["car"]
    assert car.impact_speed is None
    assert car.occupant.film is None
    assert car.occupant.fused is None
    assert car.occupant.accelerometer is not None
    oiv = car.occupant.accelerometer.oiv_x
    assert oiv is not None
    assert oiv.value == pytest.approx(np.sqrt(2 * BRAKING * 0.6), rel=0.01)
    assert "vehicle_unseen" in {w.code for w in results.warnings}
