"""Measures how the planet lies on a picture: place, scale, pole and the sense of its turn, each with its confidence.

Works on each picture alone and before sharpening, because the fit explains the soft limb of a linear stack. Changes no
pixel: what is found goes into the picture's geometry, for every stage that comes later.
"""

from __future__ import annotations

from nightmill.stage import Stage

from .stage import Orient

STAGES: list[type[Stage]] = [Orient]

__all__ = ["STAGES", "Orient"]
