"""One film: streaming in both directions and exact random access, whatever the file."""

from __future__ import annotations

import bisect
import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.arrays import Array
from calibration.errors import FilmError
from calibration.findings import Diagnostic
from tracker.film.interlaced import INTERLACED_ROWS, EvenLines, interlaced_diagnostic, is_interlaced
from tracker.film.luma import Luma
from tracker.film.movie import open_movie
from tracker.film.opened import Frames, FrameSource
from tracker.film.options import FILM
from tracker.film.pictures import open_pictures
from tracker.film.places import is_movie


@dataclass(frozen=True, eq=False)
class Film:
    """A film of which only a few frames are in memory.

    Luma is (height, width), uint8 or uint16, as stored in the file: no conversion, no gain.
    Frames that the file holds damaged are left out by `forward` and `backward`; `with_faults`
    reports those that have been met.
    """

    path: str
    where: str
    frames: int  # how many
    size: tuple[int, int]  # width, height, px
    bits: int  # significant bits of a grey level
    stamps: Array  # (frames,) s, the container's time stamps as they are; NaN without
    rate: float  # nominal frame rate, 1/s; NaN if unknown
    source: FrameSource
    findings: tuple[Diagnostic, ...] = ()
    _near: FrameCache = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_near", FrameCache(self.source, self.cacheable))

    def with_faults(self) -> Film:
        """The same with the faults among its findings that reading it has met so far."""
        return self.with_findings(self.source.faults.entries)

    def with_findings(self, more: Iterable[Diagnostic]) -> Film:
        """The same with these among its findings."""
        return replace(self, findings=tuple(dict.fromkeys((*self.findings, *more))))

    def coding_step(self, frame: int) -> float:
        """The step (grey) to which the transforms of a frame that was read were rounded; 0 where
        the film is not coded, or doesn't state it.
        """
        return self.source.faults.step(frame)

    @property
    def white(self) -> int:
        """The full-scale grey level."""
        return (1 << self.bits) - 1

    @property
    def is_coded(self) -> bool:
        """Whether the frames come out of a movie, which has time stamps, not of single pictures."""
        return bool(np.isfinite(self.stamps).any())

    @property
    def frame_bytes(self) -> int:
        """Bytes of one luma plane."""
        return self.size[0] * self.size[1] * (1 if self.bits <= 8 else 2)

    @property
    def cacheable(self) -> int:
        """How many frames random access may hold."""
        return max(2, min(FILM.cache_frames, FILM.cache_bytes // self.frame_bytes))

    def forward(self, first: int = 0, last: int | None = None) -> Frames:
        """(index, luma) from `first` to `last`, both included; a luma stays valid if kept."""
        end = self.frames - 1 if last is None else min(last, self.frames - 1)
        if first > end:
            return
        last_read = first - 1
        for index, luma in self.source.read(max(first, 0)):
            if index > end:
                return
            last_read = index
            yield index, luma
        if last_read < end:
            self._note_end(last_read)

    def _note_end(self, last: int) -> None:
        """Note that nothing comes after this frame, though the film has more."""
        lacking = self.frames - 1 - last
        text = f"the last {lacking} of {self.frames} frames can't be read"
        self.source.faults.note(Diagnostic("film_cut_short", text, self.where))

    def backward(self, first: int | None = None, last: int = 0) -> Frames:
        """(index, luma) from `first` down to `last`, both included, in bounded memory.

        Stretches that begin where reading can begin are read forwards and handed out backwards;
        a stretch too long for the memory is read again for each of its parts.
        """
        high = self.frames - 1 if first is None else min(first, self.frames - 1)
        most = max(1, FILM.backward_bytes // self.frame_bytes)
        starts = self.source.starts
        while high >= last:
            low = max(last, high - most + 1)
            start = bisect.bisect_left(starts, low)
            if start < len(starts) and starts[start] <= high:
                low = starts[start]
            stretch = [(index, luma.copy()) for index, luma in self.forward(low, high)]
            while stretch:
                yield stretch.pop()
            high = low - 1

    def frame(self, index: int) -> Luma:
        """The luma of one frame, exactly; safe to call from several threads."""
        if not 0 <= index < self.frames:
            raise FilmError(
                f"the film has no frame {index}; it has {self.frames} frames counted from 0",
                where=self.where,
                remedy="name a frame of the film",
            )
        luma = self._near.frame(index)
        if luma is None:
            raise FilmError(
                f"frame {index} can't be read",
                where=self.where,
                remedy="choose another frame, or copy the film again from the camera",
            )
        return luma


class FrameCache:
    """Frames read lately, and a place in the film from where to read on."""

    def __init__(self, source: FrameSource, most: int) -> None:
        self.source = source
        self.most = most
        self.frames: OrderedDict[int, Luma] = OrderedDict()
        self.stream: Frames = iter(())
        self.next = -1
        self.lock = threading.Lock()

    def frame(self, index: int) -> Luma | None:
        """The frame, or None where it can't be read."""
        with self.lock:
            if index in self.frames:
                self.frames.move_to_end(index)
                return self.frames[index]
            starts = self.source.starts
            start = starts[bisect.bisect_right(starts, index) - 1]
            if not start <= self.next <= index:
                self.stream = self.source.read(start)
            for at, luma in self.stream:
                self.next = at + 1
                if at > index - self.most:
                    self._keep(at, luma)
                if at >= index:
                    return luma.copy() if at == index else None
            self.next = -1
            return None

    def _keep(self, index: int, luma: Luma) -> None:
        self.frames[index] = luma.copy()
        while len(self.frames) > self.most:
            self.frames.popitem(last=False)


def open_film(
    path: str, *, frame_rate: float | None = None, bits: int | None = None, where: str = ""
) -> Film:
    """Open a movie file, a folder of pictures, a glob, or an address that fsspec knows.

    `frame_rate` (1/s) is the nominal rate; without it the container's is taken. `bits` says how
    many bits of a grey level are significant, where fewer than the format holds. `where` is the
    place that an error names, such as a key of the record. Raises `FilmError` if
    there is nothing there, or nothing that is a film.
    """
    place = f"{where} ({path})" if where else path
    movie = is_movie(path, place)
    opened = open_movie(path, place) if movie else open_pictures(path, place)
    source, findings = opened.source, opened.findings
    if movie and opened.size[1] in INTERLACED_ROWS and is_interlaced(source):
        source = EvenLines(source)
        findings = (*findings, interlaced_diagnostic(place))
    stored = 8 if opened.bits <= 8 else 16
    if bits is not None and not 1 <= bits <= stored:
        raise FilmError(
            f"the film holds {opened.bits} bits a grey level, not {bits}",
            where=place,
            remedy="give the significant bits of the film, or leave bits out",
        )
    return Film(
        path=path,
        where=place,
        frames=len(opened.stamps),
        size=opened.size,
        bits=opened.bits if bits is None else bits,
        stamps=opened.stamps,
        rate=opened.rate if frame_rate is None else frame_rate,
        source=source,
        findings=findings,
    )
