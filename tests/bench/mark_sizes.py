"""What a mark's place can be known to, by pattern, size, contrast and smear; for docs/marks.md.

    python tests/bench/mark_sizes.py

Prints the standard uncertainty of one coordinate in 1/1000 px: the Cramer-Rao bound of the mark's
edges, without the floor that light and compression leave (0.005 px for a mark of 20 px).
"""

from dataclasses import replace

import numpy as np

from tracker.planning import noise

PATTERNS = ("quadrant", "hourglass", "cross", "disc", "ring")
SIZES = (10.0, 15.0, 20.0, 30.0, 40.0)
SMEARS = (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0)
CONTRASTS = (20.0, 40.0, 80.0, 110.0, 160.0)


def thousandths(pattern: str, size: float, smear: float, picture: noise.AssumedPicture) -> float:
    """The sd of the coordinate along the smear."""
    covariance = noise.mark_covariance(pattern, size, np.array([smear, 0.0]), picture)
    return 1000 * float(np.sqrt(covariance[0, 0]))


def main() -> None:
    """Three tables."""
    picture = replace(noise.AssumedPicture(), floor=0.0)
    print(f"contrast {picture.contrast:g}, noise {picture.noise:g}, blur {picture.blur:g} px")
    print("size (px)          ", *(f"{size:6.0f}" for size in SIZES))
    for pattern in PATTERNS:
        cells = (thousandths(pattern, size, 0.0, picture) for size in SIZES)
        print(f"{pattern:19}", *(f"{cell:6.1f}" for cell in cells))
    print("smear (px), 20 px  ", *(f"{smear:6.0f}" for smear in SMEARS))
    for pattern in PATTERNS:
        cells = (thousandths(pattern, 20.0, smear, picture) for smear in SMEARS)
        print(f"{pattern:19}", *(f"{cell:6.1f}" for cell in cells))
    print("contrast, 20 px    ", *(f"{contrast:6.0f}" for contrast in CONTRASTS))
    for pattern in PATTERNS:
        pictures = (replace(picture, contrast=contrast) for contrast in CONTRASTS)
        cells = (thousandths(pattern, 20.0, 0.0, each) for each in pictures)
        print(f"{pattern:19}", *(f"{cell:6.1f}" for cell in cells))


if __name__ == "__main__":
    main()
