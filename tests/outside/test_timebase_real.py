from collections.abc import Callable
from pathlib import Path

import av
import numpy as np

from calibration.time.timebase import FlashSignal, time_base


def brightness(film: Path, region: tuple[int, int, int, int]) -> np.ndarray:
    u, v, width, height = region
    with av.open(str(film)) as container:
        return np.array(
            [
                frame.to_ndarray(format="gray")[v : v + height, u : u + width].mean()
                for frame in container.decode(video=0)
            ]
        )


def test_the_flash_bulbs_of_a_scanned_film_fire_in_the_frame_numbered_zero(
    real: Callable[[str], Path],
) -> None:
    # The film's burnt-in number is -20 on the first frame, and 0 in the flash (its SOURCE.md).
    film = real("crash-film-early") / "overhead.avi"
    for region in ((0, 0, 640, 480), (160, 240, 320, 120)):
        grey = brightness(film, region)
        base = time_base(len(grey), rate=1000, zero=FlashSignal(grey, 255))
        assert abs(base.zero_frame - 20) < 0.5
        assert base.zero_frame_u < 0.5
        assert abs(base.seconds[0] + 0.020) < 0.5e-3
        assert [f.code for f in base.findings] == ["flash_short"]


def test_container_stamps_out_of_order_do_not_scramble_the_time_of_a_film(
    real: Callable[[str], Path],
) -> None:
    film = real("crash-film-early") / "overhead.avi"
    with av.open(str(film)) as container:
        stamps = np.array([frame.time for frame in container.decode(video=0)], dtype=float)
    base = time_base(len(stamps), rate=1000, stamps=stamps)
    np.testing.assert_allclose(base.seconds, np.arange(len(stamps)) / 1000)
