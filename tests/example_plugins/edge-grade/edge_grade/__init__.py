"""A grade in a dozen lines."""

import numpy as np

from nightmill import stage
from nightmill.hooks import implementation


@stage.survey(name="edge-grade", gives={"edge": "root mean square slope over mean, 1/px, 0 or more"})
def edge_grade(data: np.ndarray, *, step: int = stage.Field(2, ge=1, le=8, description="Pixels between samples.")):
    """Grade frames by the steepness of their edges."""
    rows, columns = data[:, step:] - data[:, :-step], data[:, :, step:] - data[:, :, :-step]
    axes = tuple(range(1, data.ndim))
    return np.sqrt((rows**2).mean(axis=axes) + (columns**2).mean(axis=axes)) / (step * data.mean(axis=axes) + 1e-6)


@implementation
def nightmill_stages():
    return [edge_grade]
