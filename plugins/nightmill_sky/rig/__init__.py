"""The evening sheet: what telescope, lenses and cameras give on the targets of a night, and what to beware of.

Pure arithmetic on numbers, on top of `nightmill_sky.optics`, the ephemeris and the air; no files, no printing. Figures
that are common practice and have no published source are constants here, marked so.
"""

from .cameras import LINKS_MB_S, FrameSize, Link, smallest_frame
from .equipment import Camera, Telescope, read_equipment
from .morning import morning
from .rotation import rotation_budget_s, rotation_speed_arcsec_per_s
from .sampling import AIM_PER_UM, LENSES, WORKING_PER_UM, Setup, choose_lens, setup
from .sheet import make_sheet
from .tonight import TargetNight, target_night

__all__ = [
    "AIM_PER_UM",
    "LENSES",
    "LINKS_MB_S",
    "WORKING_PER_UM",
    "Camera",
    "FrameSize",
    "Link",
    "Setup",
    "TargetNight",
    "Telescope",
    "choose_lens",
    "make_sheet",
    "morning",
    "read_equipment",
    "rotation_budget_s",
    "rotation_speed_arcsec_per_s",
    "setup",
    "smallest_frame",
    "target_night",
]
