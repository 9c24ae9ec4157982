"""Find and measure painted targets in one picture.

`locate` finds a mark from a rough pick and learns what it looks like (`Shape`). `measure` then
measures many marks in a picture from a prediction each, within a pixel or two. Both return the
position with its covariance and say `ok`, or why not: a mark that can't be seen is not guessed.
"""

from tracker.marks.locate import locate
from tracker.marks.measure import measure
from tracker.marks.types import Fix, Fixes, Outline, Picture, Shape

__all__ = ["Fix", "Fixes", "Outline", "Picture", "Shape", "locate", "measure"]
