"""What moved on the film, how it moved, and what that means for an occupant."""

import os
from importlib.metadata import version

# Read once by OpenCV, when it is loaded: no picture file makes it allocate more than this, 8 times
# 4k, whatever its header promises.
os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", str(2**27))

__version__ = version("impactfilm")
