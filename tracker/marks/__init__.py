"""Find and measure painted targets in one picture.

`locate_mark` finds a mark from a rough pick and learns what it looks like (`Shape`).
`measure_marks` then measures many marks in a picture from a prediction each, within a pixel or two.
Both return the position with its covariance, and `ok` or why not: what can't be seen is not
guessed.
"""

from tracker.marks.locate import locate_mark
from tracker.marks.measure import measure_marks
from tracker.marks.types import Fix, Fixes, Outline, Picture, Shape

__all__ = ["Fix", "Fixes", "Outline", "Picture", "Shape", "locate_mark", "measure_marks"]
