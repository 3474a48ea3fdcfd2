"""A picture stage with a parameter that carries a unit."""

from __future__ import annotations

from typing import Annotated

import numpy as np

from nightmill import stage
from nightmill.artefacts import Picture
from nightmill.hooks import implementation

nightmill_api = 1

RED_NM, BLUE_NM = 610.0, 465.0
C2_NM_K = 1.438777e7
"""Second radiation constant in nm K (CODATA 2018)."""


class WarmTone(stage.PictureStage):
    """Make colour pictures warmer or colder, as if lit by a black body of another temperature.

    The ratio of blue to red changes by Wien's law between a white of 6500 K and the given temperature; green stays.
    """

    name = "warm-tone"
    version = "1"

    class Parameters(stage.Parameters):
        """What can be set."""

        temperature: Annotated[float, stage.Unit("K")] = stage.Field(
            "6500 K", ge=2000, le=20000, description="Temperature of the light; lower is warmer."
        )

    def develop(self, pictures: list[Picture], context: stage.Context) -> list[Picture]:
        """Multiply red and blue; pictures of one plane pass."""
        exponent = 0.5 * C2_NM_K * (1 / self.parameters.temperature - 1 / 6500) * (1 / BLUE_NM - 1 / RED_NM)
        gains = np.exp(np.array([exponent, 0, -exponent]))[:, None, None].astype(np.float32)
        context.measure("gains", gains.ravel(), "Factors for red, green and blue.")
        return [
            one if one.data.ndim == 2 else one.replace(data=one.data * gains, noise=None, half_a=None, half_b=None)
            for one in pictures
        ]


@implementation
def nightmill_stages() -> list[type[stage.Stage]]:
    """Hand the stage over."""
    return [WarmTone]
