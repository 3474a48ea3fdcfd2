"""The only things that pass between stages: Capture, Frames, FrameTable, Stack and Picture.

Each knows how it is laid on disk; none knows how it was made. Times are float64 POSIX seconds (UTC, no leap
seconds), pixels are 0-based with integers at pixel centres, arrays are [row, column] with colour first in stacks and
pictures, (3, h, w) in R, G, B, and last in frames, (n, h, w, 3).
"""

from .capture import Capture
from .frames import Frames
from .picture import Picture
from .stack import Stack
from .table import FrameTable

__all__ = ["Capture", "FrameTable", "Frames", "Picture", "Stack"]
