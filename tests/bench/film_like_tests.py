"""Whole analyses of tests whose films look like film:

    python tests/bench/film_like_tests.py FOLDER [COUNT] [FIRST_SEED]

Each seed's quick demonstration (640 x 512 px, 500 frames/s, weave of 1.4 px) is written into
FOLDER/<seed>; its films get grain, flicker, scratches, dust and a vignette by the code of
`tests.support.film_look_scene`, which shares nothing with the program, and are coded again (H.264,
crf 24). Prints for each test the errors of speed at impact and occupant figures by the film, over u
and in percent of the truth, and which figures are missing; of those
that are "at least", how many the truth reaches, give or take 1.96 u.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path

import numpy as np

from tests.support.film_look_scene import FILM, Bytes, exposed
from tracker import analyse, load_record
from tracker.demo import Scenario, write_demo
from tracker.demo.write import write_movie
from tracker.film import open_film

LOOK = replace(FILM, blur=0.5)  # the drawn films are soft already
CRF = 24
MAY_LACK = {"thiv", "phd"}


def made_worse(film: Path, seed: int) -> None:
    """Replace a film by itself with the faults of one that has been scanned and archived."""
    source = film.with_name("drawn-" + film.name)
    film.rename(source)
    drawn = open_film(str(source))
    gain = 1.0 + LOOK.flicker * np.random.default_rng([seed, 19]).standard_normal(drawn.frames)

    def pictures() -> Iterator[Bytes]:
        for i, luma in drawn.forward():
            yield exposed(LOOK, seed, float(gain[i]), luma.astype(float), i)

    write_movie(film, pictures(), drawn.rate, CRF)
    source.unlink()


def main(folder: Path, count: int, first: int) -> None:
    errors: dict[str, list[tuple[float, float, float]]] = {}
    least: list[bool] = []
    for seed in range(first, first + count):
        place = folder / str(seed)
        scenario = Scenario.quick(seed=seed, weave=1.4, crf=10)
        truth = write_demo(place, scenario=scenario)
        for k, name in enumerate(scenario.views):
            made_worse(place / f"{name}.mp4", 10 * seed + k)
        results = analyse(load_record(place))
        car = results.vehicles["car"]
        shown = [("speed", car.impact_speed, truth.headline["car.impact_speed"])]
        shown += [
            (name, getattr(car.occupant.film, name, None), truth.headline[f"car.{name}"])
            for name in ("oiv_x", "oiv_y", "ridedown_x", "ridedown_y")
            if f"car.{name}" in truth.headline
        ]
        line = []
        for name, found, true in shown:
            if found is None:
                line.append(f"{name} missing")
                continue
            z, share = (found.value - true) / found.u, 100 * (found.value / true - 1)
            if found.at_end:
                least.append(abs(true) > abs(found.value) - 1.96 * found.u)
                line.append(f"{name} at least {z:+.1f} u {share:+.2f} %")
                continue
            errors.setdefault(name, []).append((found.value - true, found.u, share))
            line.append(f"{name} {z:+.1f} u {share:+.2f} %")
        film = car.occupant.film
        lacking = sorted(
            f.name for f in fields(film) if getattr(film, f.name) is None and f.name not in MAY_LACK
        ) if film is not None else ["all"]  # fmt: skip
        print(
            f"seed {seed}: {', '.join(line)}; missing: {', '.join(lacking) or 'none'}", flush=True
        )
    for name, found in errors.items():
        off, u, share = np.array(found).T
        print(
            f"{name:12s} {len(off)} tests: rms error {np.sqrt(np.mean(off**2)):.4f}, median u "
            f"{np.median(u):.4f}, error/u rms {np.sqrt(np.mean((off / u) ** 2)):.2f}, largest "
            f"{np.abs(share).max():.2f} %, within 1.96 u {np.sum(np.abs(off) < 1.96 * u)}"
        )
    print(f"at least: {sum(least)} of {len(least)} held")


if __name__ == "__main__":
    asked = [*sys.argv[1:], *("4", "300")[len(sys.argv) - 2 :]]
    main(Path(asked[0]), int(asked[1]), int(asked[2]))
