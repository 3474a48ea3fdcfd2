"""The picture stage "show-star": the star with its halo, faint light lifted, and on a copy the aperture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from nightmill.artefacts import Picture
from nightmill.stage import Context, PictureStage

from ..write.display import render

__all__ = ["ShowStar"]

SOFTENING = 0.02
"""Share of white below which light is shown in proportion, above by its logarithm: the halo stays in sight."""
LARGE_PX = 480
RING = (255, 196, 64)


class ShowStar(PictureStage):
    """Show a star so that its halo can be judged, with the aperture that its light was measured in."""

    name = "show-star"
    version = "1"

    def develop(self, pictures: list[Picture], context: Context) -> list[Picture]:
        """Take the sky out and draw the aperture on the labelled copy."""
        return [self._shown(picture) for picture in pictures]

    def _shown(self, picture: Picture) -> Picture:
        found = picture.header.get("starlight", {})
        skies = found.get("sky") or [float(np.nanmedian(plane)) for plane in np.atleast_3d(picture.data.T).T]
        shape = (-1, 1, 1) if picture.data.ndim == 3 else (-1, 1)
        sky = np.array(skies, np.float32).reshape(shape)
        layers = {
            name: (values - sky).astype(np.float32)
            for name in ("data", "half_a", "half_b")
            if (values := getattr(picture, name)) is not None
        }
        peak = float(np.nanmax(layers["data"])) if np.isfinite(layers["data"]).any() else 1.0
        display = {"black": 0.0, "white": peak if peak > 0 else 1.0, "gamma": 1.0, "softening": SOFTENING}
        shown = picture.replace(**layers, display=display)
        radius = found.get("aperture_px")
        return shown if radius is None else shown.replace(labelled=_with_ring(shown, float(radius)))


def _with_ring(picture: Picture, radius_px: float) -> NDArray[np.uint8]:
    """Draw the aperture around the middle of a copy that is large enough to look at."""
    light = (render(picture.data, picture.display) >> 8).astype(np.uint8)
    planes = np.stack([light] * 3, axis=-1) if light.ndim == 2 else light
    times = max(1, round(LARGE_PX / planes.shape[0]))
    large = cv2.resize(planes, None, fx=times, fy=times, interpolation=cv2.INTER_NEAREST)
    canvas = np.ascontiguousarray(large)
    middle = round((planes.shape[1] * times - 1) / 2), round((planes.shape[0] * times - 1) / 2)
    cv2.circle(canvas, middle, round(radius_px * times), RING, 1, cv2.LINE_AA)
    return canvas
