"""Movie files, decoded by libav in the order of its output."""

from __future__ import annotations

import bisect
import contextlib
import itertools
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import av
import numpy as np

from calibration.errors import FilmError
from calibration.findings import Diagnostic
from tracker.film.findings import FaultLog, stamp_gaps
from tracker.film.luma import bits_of, luma_of
from tracker.film.opened import Frames, OpenedFilm
from tracker.film.options import FILM
from tracker.film.places import has_scheme, open_bytes, too_large_picture
from tracker.film.quantiser import EXPORT, STEPPED, frame_step

# Decoders for which every packet is one frame and time stamps give the output order.
_ORDERLY = frozenset({"h264", "hevc", "av1", "vp8", "vp9"})
_CONTAINERS = (
    "mov,mp4,matroska,webm,avi,asf,mpeg,mpegvideo,mpegts,mxf,gxf,ivf,dv,ogg,flv,nut,cine,"
    "yuv4mpegpipe,h264,hevc,m4v,mjpeg,av1,obu,gif"
)
OPENING = {"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"}
"""Films only: no playlists, which name other files and addresses, and no text drawn as pictures."""
STRICT = {"err_detect": "explode"}
_INTRA_ONLY = 1 << 0  # a bit of libav's codec properties


@dataclass(frozen=True)
class KeyFrame:
    """A frame at which decoding can begin."""

    frame: int
    pts: int | None
    dts: int | None


@dataclass(frozen=True)
class FrameIndex:
    """The frames of a movie in output order, counted once."""

    ticks: tuple[int | None, ...]  # time stamp of each frame in ticks of the time base
    keys: tuple[KeyFrame, ...]  # ascending; the first is frame 0
    by_stamp: Mapping[int, int] | None  # frame of each time stamp, where these name frames


class Movie:
    """Frames of a movie file, each pass with a decoder of its own.

    A `strict` one leaves out a frame in which it meets an error, instead of hiding the error.
    """

    def __init__(self, path: str, where: str, index: FrameIndex, strict: bool) -> None:
        self.path = path
        self.where = where
        self.index = index
        self.faults = FaultLog()
        self.strict = strict
        self.starts = tuple(key.frame for key in index.keys)
        self._seekable: dict[int, bool] = {}  # by key frame: whether seeking led to it

    def read(self, first: int) -> Frames:
        """(index, luma) from `first` to the end. A luma keeps its buffer as long as it lives."""
        key = self.index.keys[bisect.bisect_right(self.starts, first) - 1]
        if key.frame > 0:
            if key.frame not in self._seekable:
                self._seekable[key.frame] = self._is_reachable(key)
            key = key if self._seekable[key.frame] else self.index.keys[0]
        size = None
        with _container(self.path, self.where, self.strict) as (container, stream):
            for at, frame in self._numbered_frames(container, stream, key):
                size = size or (frame.width, frame.height)
                if at < first:
                    continue
                if (frame.width, frame.height) != size:
                    self._note("frame_damaged", f"frame {at} has another size than the first one")
                    continue
                self.faults.note_step(at, frame_step(frame))
                yield at, luma_of(frame)

    def _numbered_frames(
        self, container: Any, stream: Any, key: KeyFrame
    ) -> Iterator[tuple[int, Any]]:
        """Decoded frames with their index, from a key frame on."""
        if key.frame > 0:
            container.seek(_tick(key), stream=stream, backward=True)
        by_stamp = self.index.by_stamp
        at, begun = key.frame, key.frame == 0
        for frame in self._decoded_frames(container, stream, key):
            if by_stamp is not None:
                index = by_stamp.get(frame.pts)
                # frames shown before the key frame lack the pictures they refer to
                if index is not None and index >= key.frame:
                    yield index, frame
                continue
            begun = begun or frame.key_frame
            if begun:
                if at < len(self.index.ticks):
                    yield at, frame
                at += 1

    def _decoded_frames(self, container: Any, stream: Any, key: KeyFrame) -> Iterator[Any]:
        reached = key.frame == 0
        for packet in _packets(container, stream, lambda: self._note("film_cut_short", _CUT)):
            reached = reached or (packet.is_keyframe and (packet.pts, packet.dts) == _stamp(key))
            if not reached:
                continue
            try:
                frames = packet.decode()
            except av.error.EOFError:
                return
            except av.error.FFmpegError:
                self._note("frame_damaged", "some frames are damaged and were left out")
                continue
            for frame in frames:
                if frame.is_corrupt:
                    self._note("frame_damaged", "some frames are damaged")
                yield frame

    def _is_reachable(self, key: KeyFrame) -> bool:
        """Whether seeking leads to this key frame or before it, by looking at the packets."""
        with _container(self.path, self.where) as (container, stream):
            try:
                container.seek(_tick(key), stream=stream, backward=True)
                wanted = _stamp(key)
                for packet in container.demux(stream):
                    if packet.is_keyframe and (packet.pts, packet.dts) == wanted:
                        return True
                    if packet.dts is not None and key.dts is not None and packet.dts > key.dts:
                        return False
            except av.error.FFmpegError:
                return False
        return False

    def _note(self, code: str, text: str) -> None:
        self.faults.note(Diagnostic(code, text, self.where))


_CUT = "the file breaks off before its end; the frames up to there are used"


def open_movie(path: str, where: str) -> OpenedFilm:
    """Open a movie and count its frames. Raises `FilmError` if it isn't one, or holds no frame."""
    with _container(path, where) as (container, stream):
        intra = bool(stream.codec_context.codec.properties & _INTRA_ONLY)
        name = stream.codec_context.name
        tick = float(stream.time_base)
        rate = float(stream.average_rate or stream.base_rate or np.nan)
        promised = stream.frames
        index = _from_container(stream) if intra else None
        if index is None and (intra or name in _ORDERLY):
            index = _from_packets(container, stream)
    if index is None:
        with _container(path, where) as (container, stream):
            index = _from_frames(container, stream)
            promised = len(index.ticks)
    if not index.ticks:
        raise _unreadable(where)
    source = Movie(path, where, index, strict=intra)
    first = _first_frame(source)
    if first is None and intra:  # a maker's habit in every frame is no damage
        source = Movie(path, where, index, strict=False)
        first = _first_frame(source)
    if first is None:
        raise _unreadable(where)
    stamps = np.array([np.nan if t is None else t * tick for t in index.ticks])
    findings = [*source.faults.entries, *stamp_gaps(stamps, tick, where)]
    if promised > len(stamps):
        text = f"the file promises {promised} frames and holds {len(stamps)}"
        findings.append(Diagnostic("film_cut_short", text, where))
    return OpenedFilm(
        source=source,
        size=(first.width, first.height),
        bits=bits_of(first.format),
        stamps=stamps,
        rate=rate,
        findings=tuple(findings),
    )


def _from_container(stream: Any) -> FrameIndex | None:
    """From the container's own index, if it lists every frame of a film of key frames."""
    try:
        entries = [entry for entry in stream.index_entries if entry.size > 0]
    except AttributeError:
        return None
    ticks = [int(entry.timestamp) for entry in entries]
    whole = len(entries) == stream.frames > 0 and all(entry.is_keyframe for entry in entries)
    if not whole or any(b <= a for a, b in itertools.pairwise(ticks)):
        return None
    keys = tuple(KeyFrame(at, tick, tick) for at, tick in enumerate(ticks))
    return FrameIndex(tuple(ticks), keys, {tick: at for at, tick in enumerate(ticks)})


def _from_packets(container: Any, stream: Any) -> FrameIndex | None:
    """From the packets, if their time stamps give the order of the frames."""
    pts: list[int] = []
    keys: list[tuple[int, int | None]] = []
    for packet in _packets(container, stream, lambda: None):
        if packet.size == 0 or packet.is_discard:
            continue
        if packet.pts is None:
            return None
        if not keys and not packet.is_keyframe:
            return None
        pts.append(packet.pts)
        if packet.is_keyframe:
            keys.append((packet.pts, packet.dts))
    order = {tick: at for at, tick in enumerate(sorted(pts))}
    if len(order) != len(pts) or not keys or order[keys[0][0]] != 0:
        return None
    starts = sorted((order[tick], tick, dts) for tick, dts in keys)
    return FrameIndex(tuple(order), tuple(KeyFrame(*start) for start in starts), order)


def _from_frames(container: Any, stream: Any) -> FrameIndex:
    """From decoding the whole film, where packets don't say what frames will come of them."""
    ticks: list[int | None] = []
    frames: list[int] = []
    packets: list[tuple[int | None, int | None]] = []
    for packet in _packets(container, stream, lambda: None):
        if packet.is_keyframe and packet.size:
            packets.append((packet.pts, packet.dts))
        try:
            decoded = packet.decode()
        except av.error.EOFError:
            break
        except av.error.FFmpegError:
            continue
        for frame in decoded:
            if frame.key_frame:
                frames.append(len(ticks))
            ticks.append(frame.pts)
    keys = [KeyFrame(0, None, None)]
    if len(frames) == len(packets) and None not in {dts for _, dts in packets}:
        keys += [
            KeyFrame(at, pts, dts) for at, (pts, dts) in zip(frames, packets, strict=True) if at > 0
        ]
    return FrameIndex(tuple(ticks), tuple(keys), None)


def _first_frame(source: Movie) -> Any:
    """The first frame that can be decoded, None without."""
    with _container(source.path, source.where, source.strict) as (container, stream):
        for _, frame in source._numbered_frames(container, stream, source.index.keys[0]):
            return frame
    return None


def _packets(container: Any, stream: Any, cut: Any) -> Iterator[Any]:
    """The stream's packets, the flushing one last; `cut` is called at a broken end."""
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except (av.error.FFmpegError, OSError):
            cut()
            return
        yield packet


def _stamp(key: KeyFrame) -> tuple[int | None, int | None]:
    return key.pts, key.dts


def _tick(key: KeyFrame) -> int:
    tick = key.dts if key.dts is not None else key.pts
    if tick is None:
        raise ValueError("a key frame without a time stamp can't be reached by seeking")
    return tick


@contextlib.contextmanager
def _container(path: str, where: str, strict: bool = False) -> Iterator[tuple[Any, Any]]:
    """The container and its first film stream, closed afterwards. Raises `FilmError`."""
    file: IO[bytes] | str = (
        open_bytes(path, where) if has_scheme(path) else str(Path(path).absolute())
    )
    try:
        container = av.open(file, options=OPENING)
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise _unreadable(where) from error
    try:
        if not container.streams.video:
            raise _unreadable(where)
        stream = container.streams.video[0]
        if stream.codec_context is None:
            raise _unreadable(where)
        width, height = stream.codec_context.width, stream.codec_context.height
        if width * height > FILM.largest_pixels:
            raise too_large_picture(width, height, where)
        tells_step = stream.codec_context.name in STEPPED
        stream.codec_context.options = (
            {"max_pixels": str(FILM.largest_pixels)}
            | (EXPORT if tells_step else {})
            | (STRICT if strict else {})
        )
        # a thread a frame may hand out a frame's quantisers while another still fills them in, and
        # by slices H.264 says nothing of what is damaged
        threads = 1 if tells_step else min(FILM.threads, os.cpu_count() or 1)
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = threads
        yield container, stream
    finally:
        container.close()
        if not isinstance(file, str):
            file.close()


def _unreadable(where: str) -> FilmError:
    return FilmError(
        "this is not a film that can be read: it is empty, cut off, damaged or of another kind",
        where=where,
        remedy="copy it again from the camera, or export it as MP4, MOV, MKV or AVI",
    )
