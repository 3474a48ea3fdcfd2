"""The planet's outline as an ellipse on the picture: a pure function on an array.

For whole or nearly whole discs. Rings and a large phase make other outlines, and are not fitted here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, optimize

from ..compose.outline import outline_edges

__all__ = ["Ellipse", "fit_disc"]


@dataclass(frozen=True)
class Ellipse:
    """An ellipse on the picture.

    Attributes
    ----------
    x_px, y_px : float
        Centre, 0-based column and row.
    a_px, b_px : float
        Semi-major and semi-minor axis.
    angle_deg : float
        Direction of the major axis, counter-clockwise from +x as displayed, -90 to 90.
    spread_px : float
        Robust scatter of the edge about the ellipse: how well it is one.
    """

    x_px: float
    y_px: float
    a_px: float
    b_px: float
    angle_deg: float
    spread_px: float

    def to_json(self) -> dict[str, float]:
        """Return the ellipse as `Picture.geometry["disc"]` holds it."""
        names = ("x_px", "y_px", "a_px", "b_px", "angle_deg")
        return {name: round(getattr(self, name), 4) for name in names}


def fit_disc(data: NDArray[np.float32], *, scale_px: float = 1.0) -> Ellipse | None:
    """Fit an ellipse to the edge of an object surrounded by sky.

    Parameters
    ----------
    data : ndarray of float32, shape (h, w) or (3, h, w)
        Linear light; NaN where there are no data.
    scale_px : float
        Standard deviation of the Gaussian before the edge is looked for.

    Returns
    -------
    Ellipse or None
        None when no object is surrounded by sky, or its outline is no ellipse: the scatter is above 3 % of its size
        and above half a pixel.

    Notes
    -----
    The edge is where the light falls most steeply. Limb darkening and blur put it inside the true limb, by some
    tenths of the blur's width, so axes are good to that; the centre is not moved. Soft parts (a terminator) weigh less.
    """
    planes = np.asarray(data if data.ndim == 3 else data[None], np.float64)
    light = planes.mean(axis=0)
    missing = ~np.isfinite(light)
    if missing.all():
        return None
    light = ndimage.median_filter(np.where(missing, np.percentile(light[~missing], 5.0), light), size=3)
    found = outline_edges(light, scale_px=scale_px)
    if found is None or found[0].shape[1] < 24:
        return None
    (rows, columns), steepness = found
    weights = np.minimum(steepness / np.median(steepness), 1.0)
    solution = _refine(columns, rows, weights)
    if solution is None:
        return None
    x, y, a, b, angle = solution
    left = _distances(solution, columns, rows)
    spread = 1.4826 * float(np.median(np.abs(left)))
    if spread > max(0.5, 0.03 * np.sqrt(a * b)):
        return None
    if b > a:
        a, b, angle = b, a, angle + 0.5 * np.pi
    # Rows run downwards: counter-clockwise as displayed is the other way round in (column, row).
    degrees = -float(np.degrees(angle))
    return Ellipse(float(x), float(y), float(a), float(b), (degrees + 90.0) % 180.0 - 90.0, spread)


def _distances(
    solution: NDArray[np.float64], columns: NDArray[np.float64], rows: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Signed distance of points to an ellipse (x, y, a, b, angle), to first order."""
    x, y, a, b, angle = solution
    cos, sin = np.cos(angle), np.sin(angle)
    u, v = (columns - x) * cos + (rows - y) * sin, -(columns - x) * sin + (rows - y) * cos
    size = np.sqrt((u / a) ** 2 + (v / b) ** 2)
    slope = np.sqrt((u / a**2) ** 2 + (v / b**2) ** 2) / np.maximum(size, 1e-9)
    distance: NDArray[np.float64] = (size - 1.0) / np.maximum(slope, 1e-9)
    return distance


def _refine(
    columns: NDArray[np.float64], rows: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """Robust least squares of the distances, from the moments of the points."""
    middle = np.array([np.mean(columns), np.mean(rows)])
    spread = np.cov(np.stack([columns, rows]))
    sizes, vectors = np.linalg.eigh(spread)
    axes = np.sqrt(2.0 * np.maximum(sizes[::-1], 1e-3))
    start = np.array([*middle, *axes, np.arctan2(vectors[1, 1], vectors[0, 1])])
    result = optimize.least_squares(
        lambda values: weights * _distances(values, columns, rows),
        start,
        loss="soft_l1",
        f_scale=0.3,
        x_scale=[1.0, 1.0, 1.0, 1.0, 0.05],
        bounds=([-np.inf, -np.inf, 1.0, 1.0, -np.inf], np.inf),
    )
    return np.asarray(result.x, np.float64) if result.success else None
