"""Mean grey of picture regions, frame by frame, gathered while a film is read for other reasons."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.camera import Array
from tracker.film import Film, Source
from tracker.film.luma import Luma

Region = tuple[int, int, int, int]
"""u, v of its corner, width, height, px."""
ROWS_SKIPPED = 2
"""Of a whole picture every second row and column is enough for its mean."""


@dataclass
class Brightness:
    """Collects the mean grey of named regions of the frames that pass by."""

    regions: Mapping[str, Region]
    seen: dict[int, dict[str, float]] = field(default_factory=dict)

    def watched(self, film: Film) -> Film:
        """The film, with each frame that is read from it looked at on the way."""
        return replace(film, source=_Watched(film.source, self)) if self.regions else film

    def look(self, index: int, luma: Luma) -> None:
        """Note the regions' means of one frame."""
        if index not in self.seen:
            self.seen[index] = {
                name: float(_part(luma, region).mean()) for name, region in self.regions.items()
            }

    def means(self, film: Film, region: str) -> Array:
        """Mean grey (frames,) of a region; frames not met yet are read now, NaN if damaged."""
        missing = [i for i in range(film.frames) if i not in self.seen]
        if missing:
            for index, luma in film.forward(missing[0], missing[-1]):
                self.look(index, luma)
        nothing = {region: float("nan")}
        return np.array([self.seen.get(i, nothing)[region] for i in range(film.frames)])


@dataclass(frozen=True)
class _Watched:
    source: Source
    brightness: Brightness

    @property
    def starts(self) -> tuple[int, ...]:
        return self.source.starts

    def read(self, first: int) -> Iterator[tuple[int, Luma]]:
        for index, luma in self.source.read(first):
            self.brightness.look(index, luma)
            yield index, luma


def _part(luma: Luma, region: Region) -> Luma:
    u, v, width, height = region
    part = luma[max(v, 0) : v + height, max(u, 0) : u + width]
    return part if part.size < 40_000 else part[::ROWS_SKIPPED, ::ROWS_SKIPPED]
