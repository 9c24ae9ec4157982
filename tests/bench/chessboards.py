"""Real chessboards: lens beside the published one, poses beside OpenCV's and the direct linear
transformation; run by hand.

python tests/bench/chessboards.py FOLDER (of the real pictures left01.jpg ...)
"""

import sys
from pathlib import Path

import numpy as np

from calibration.lens import lens_from_chessboard
from tests.outside.test_resection_real import resected
from tests.support.real_boards import (
    CORNERS,
    SQUARE,
    calibrated_by_opencv,
    direct_linear,
    grid,
    in_first_board,
    solved_by_opencv,
)

PUBLISHED = (535.916, 535.916, 342.283, 235.571, -0.2664, -0.0386, 0.0018, -0.0003, 0.238)


def main(folder: Path) -> None:
    """Three tables."""
    found = lens_from_chessboard(
        sorted(folder.glob("left??.jpg")), inner_corners=CORNERS, square=SQUARE
    )
    u = np.sqrt(np.diag(found.lens.covariance))
    print(f"rms {found.rms_px:.3f} px over {len(found.corners)} corners (published 0.393)")
    terms = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
    for name, value, its_u, known in zip(terms, found.lens.values, u, PUBLISHED, strict=True):
        print(f"  {name:3s} {value:9.4f}  u {its_u:.4f}  published {known:9.4f}")
    boards = calibrated_by_opencv(folder)
    pnp, joint = [], []
    for name, corners in boards.corners.items():
        camera = resected(grid(), corners, boards.lens).camera
        rotation, shift = boards.poses[name]
        pnp.append(np.linalg.norm(camera.position - solved_by_opencv(corners, boards.lens)))
        joint.append(np.linalg.norm(camera.position + rotation.T @ shift))
    print(
        f"position in {len(pnp)} pictures: largest difference to cv2.solvePnP "
        f"{1e6 * max(pnp):.1f} um, to cv2.calibrateCamera {1e6 * max(joint):.1f} um"
    )
    names = ("left01.jpg", "left03.jpg", "left04.jpg", "left06.jpg", "left08.jpg", "left12.jpg")
    places, pixels, position = in_first_board(boards, names)
    linear, focal = direct_linear(places, pixels, boards.lens)
    camera = resected(places, pixels, None).camera
    u = np.sqrt(np.diag(camera.covariance))
    print(
        f"six boards as one survey, lens open: position {1e3 * (camera.position - position)} mm "
        f"off calibrateCamera's (u {1e3 * u[3:6]}), {1e3 * (camera.position - linear)} mm off the "
        f"direct linear transformation; focal length {camera.lens.matrix[0, 0]:.2f} px, "
        f"u {u[6]:.2f}, direct linear {focal:.2f}, calibrateCamera {boards.lens.matrix[0, 0]:.2f}"
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
