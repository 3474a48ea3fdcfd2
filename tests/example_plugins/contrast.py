"""A grade as a single file."""

from nightmill import stage
from nightmill.hooks import implementation


@stage.survey(gives={"contrast": "standard deviation over mean, 0 or more"})
def contrast(data, *, power: float = stage.Field(1.0, gt=0, le=4, description="Exponent.")):
    """Grade frames by plain contrast."""
    pixels = data.reshape(len(data), -1)
    return (pixels.std(axis=1) / (pixels.mean(axis=1) + 1e-6)) ** power


@implementation
def nightmill_stages():
    """Hand the stage over."""
    return [contrast]
