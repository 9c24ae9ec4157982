"""Marks followed through film as it comes: drawn by code that shares nothing with the program.

    python tests/bench/film_look.py [EFFECT,...|all] [SIZE,...] [SEEDS] [FIRST_SEED]

`tests.support.film_look_scene` lists the effects. A row an effect and size (px), both views and all
patterns together; below all rows, the same by pattern. Picks are up to 3 px off, sizes 10 %.
Visible: no more than 5 % covered and 10 % behind haze, seen at a cosine of 0.45 or more, 4 px
across and 2 px from the picture's edge. Hidden: less than a twentieth of it shows. Gross: more than
0.5 px and more than 4 claimed standard deviations off, or more than 1.5 px. Squares: mean of error
over claimed u, squared, of visible marks without gross errors. Again: frames until a mark that was
covered or behind haze for 10 frames is measured again; never counts as all that the film still has.
Constants are chosen on seeds 0 to 9; what is reported has seeds from 100 on.
"""

from __future__ import annotations

import sys
import tempfile
import time as clock
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.support.film_look_scene import (
    LOOKS,
    SIZE,
    VIEWS,
    Bytes,
    FilmTruth,
    Scene,
    draw,
    scene,
)
from tests.support.rendered_film import film_of
from tracker.core.types import Mark, MarkId
from tracker.film import Film, open_film
from tracker.tracking import TrackingResult, track_marks

SIZES = (8.0, 12.0, 16.0, 22.0)
COVERED, SHOWS, HAZED, COSINE, ACROSS, EDGE = 0.05, 0.95, 0.1, 0.45, 4.0, 2.0
GROSS, SIGMAS, FAR, AWAY = 0.5, 4.0, 1.5, 10


@dataclass
class Row:
    """What the marks of one kind gave."""

    visible: int = 0
    measured: int = 0
    hidden: int = 0
    claimed: int = 0
    gross: int = 0
    all_measured: int = 0
    squares: list[np.ndarray] = field(default_factory=list)
    error: list[np.ndarray] = field(default_factory=list)
    again: list[int] = field(default_factory=list)
    unfound: int = 0
    marks: int = 0

    def add(self, other: Row) -> None:
        """The same and another's."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


def drawn(s: Scene, folder: Path) -> tuple[Film, FilmTruth]:
    """The film, coded where the effect says so, and its truth."""
    kept: list[Bytes] = []
    path = folder / "film.mkv"
    truth = draw(s, path, lambda _, picture: kept.append(picture))
    if s.look.codec:
        return open_film(str(path), frame_rate=1000.0), truth
    return film_of(kept.__getitem__, len(kept)), truth


def shown_mask(truth: FilmTruth) -> np.ndarray:
    """Which marks (frames, marks) anybody could see."""
    half = 0.5 * truth.axis + EDGE
    inside = np.all(
        (truth.place > half[..., None]) & (truth.place < np.array(SIZE) - 1 - half[..., None]),
        axis=2,
    )
    plain = (truth.cover < COVERED) & (truth.haze < HAZED)
    return np.asarray(
        plain & inside & (truth.narrow > COSINE) & (truth.axis * truth.narrow >= ACROSS)
    )


def picks(s: Scene, truth: FilmTruth, shown: np.ndarray) -> list[Mark]:
    """Each mark picked roughly in the first frame that shows it."""
    rng = np.random.default_rng([s.seed, 3])
    out = []
    for m, mark in enumerate(s.marks):
        frame = int(np.argmax(shown[:, m])) if shown[:, m].any() else 0
        u, v = truth.place[frame, m] + rng.uniform(-3, 3, 2)
        size = truth.axis[frame, m] * rng.uniform(0.9, 1.1)
        name = MarkId.parse(mark.name)
        out.append(Mark(name, mark.pattern, (float(u), float(v)), frame, float(size)))  # type: ignore[arg-type]
    return out


def judged(s: Scene, truth: FilmTruth, result: TrackingResult) -> dict[str, Row]:
    """A row a pattern."""
    tracks, shown = result.tracks, shown_mask(truth)
    hidden = (truth.cover > SHOWS) | (truth.haze > SHOWS)
    got = tracks.measured_mask
    off = tracks.position - truth.place
    away = np.hypot(*np.moveaxis(off, -1, 0))
    covariance = np.where(got[..., None, None], tracks.covariance, np.eye(2))
    z2 = np.einsum("fmi,fmij,fmj->fm", off, np.linalg.inv(covariance), off) / 2
    gross = got & (((away > GROSS) & (z2 > SIGMAS**2 / 2)) | (away > FAR))
    rows: dict[str, Row] = defaultdict(Row)
    for m, mark in enumerate(s.marks):
        kind = "fixed" if mark.name.startswith("survey") else mark.pattern
        sound = shown[:, m] & got[:, m] & ~gross[:, m]
        rows[kind].add(
            Row(
                int(shown[:, m].sum()),
                int((shown & got)[:, m].sum()),
                int(hidden[:, m].sum()),
                int((hidden & got)[:, m].sum()),
                int(gross[:, m].sum()),
                int(got[:, m].sum()),
                [z2[sound, m]],
                [away[sound, m]],
                frames_again(shown[:, m], got[:, m]),
                int(not got[:, m].any()),
                1,
            )
        )
    return rows


def frames_again(shown: np.ndarray, got: np.ndarray) -> list[int]:
    """Frames from a mark's coming back into sight to its being measured again, for each time."""
    out, away, seen = [], 0, False
    for f, now in enumerate(shown):
        if now and seen and away >= AWAY:
            after = np.flatnonzero(got[f:])
            out.append(int(after[0]) if len(after) else len(got) - f)
        away = 0 if now else away + 1
        seen |= bool(now and got[f])
    return out


def printed(name: str, row: Row, took: float = float("nan")) -> None:
    """One line of the table."""
    z2 = np.concatenate(row.squares) if row.squares else np.zeros(0)
    error = np.concatenate(row.error) if row.error else np.zeros(0)
    again = np.array(row.again)
    print(
        f"{name:22s} {100 * row.measured / max(row.visible, 1):6.1f} %"
        f" {row.claimed:5d}/{row.hidden:<5d} {row.gross:5d} {np.mean(z2):6.2f}"
        f" {np.median(z2) / 0.693:6.2f} {np.sqrt(np.mean(error**2) / 2):7.3f} px"
        f" {row.unfound:3d}/{row.marks:<4d}"
        f" {np.median(again) if len(again) else 0:4.0f} {max(again, default=0):4d} {len(again):3d}"
        f" {1e6 * took / max(row.all_measured, 1):6.0f} us",
        flush=True,
    )


def main(effects: list[str], sizes: list[float], seeds: int, first: int) -> None:
    print(
        f"{'effect, size':22s} {'visible':>8s} {'claimed hidden':>11s} gross squares  robust"
        f"     rms  unfound  again: median most times  a mark"
    )
    whole: dict[str, Row] = defaultdict(Row)
    for effect in effects:
        for size in sizes:
            total, took = Row(), 0.0
            for seed in range(first, first + seeds):
                for view in VIEWS:
                    with tempfile.TemporaryDirectory() as folder:
                        s = scene(effect, size, view, seed)
                        film, truth = drawn(s, Path(folder))
                        marks = picks(s, truth, shown_mask(truth))
                        start = clock.process_time()
                        result = track_marks(film, view, marks)
                        took += clock.process_time() - start
                    rows = judged(s, truth, result)
                    for finding in result.findings:
                        if finding.code == "mark_not_found":
                            print(f"    {view} {seed} {finding.where}: {finding.text}")
                    if "-v" in sys.argv:
                        _each(s, truth, result)
                    for kind, row in rows.items():
                        total.add(row)
                        whole[kind].add(row)
            printed(f"{effect}, {size:g}", total, took)
    for kind in sorted(whole):
        printed(kind, whole[kind])


def _each(s: Scene, truth: FilmTruth, result: TrackingResult) -> None:
    """What each mark lost: spans of frames in which it was visible and not measured."""
    shown, got = shown_mask(truth), result.tracks.measured_mask
    hidden = (truth.cover > SHOWS) | (truth.haze > SHOWS)
    off = np.hypot(*np.moveaxis(result.tracks.position - truth.place, -1, 0))
    for m, mark in enumerate(s.marks):
        lost = np.flatnonzero(shown[:, m] & ~got[:, m])
        false = np.flatnonzero(hidden[:, m] & got[:, m])
        wrong = np.flatnonzero(np.nan_to_num(off[:, m]) > GROSS)
        if len(lost) > 3 or len(false) or len(wrong):
            print(f"    {s.view} {s.seed} {mark.name} {mark.pattern}: lost {_spans(lost)}, "
                  f"claimed {_spans(false)}, gross {_spans(wrong)} "
                  f"{np.nanmax(off[:, m], initial=0.0):.1f} px")  # fmt: skip


def _spans(frames: np.ndarray) -> str:
    runs = np.split(frames, np.flatnonzero(np.diff(frames) > 1) + 1) if len(frames) else []
    return " ".join(f"{r[0]}-{r[-1]}" for r in runs[:6]) + (" ..." if len(runs) > 6 else "")


if __name__ == "__main__":
    asked = [a for a in sys.argv[1:] if a != "-v"]
    asked += ["all", ",".join(f"{s:g}" for s in SIZES), "1", "0"][len(asked) :]
    main(
        list(LOOKS) if asked[0] == "all" else asked[0].split(","),
        [float(a) for a in asked[1].split(",")],
        int(asked[2]),
        int(asked[3]),
    )
