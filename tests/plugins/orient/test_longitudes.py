"""Longitudes measured over an hour of simulated captures: oriented by the stage, mapped by the library."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
from scipy import ndimage

from nightmill.artefacts import Capture, Picture
from nightmill.stage import Context
from nightmill.testing import PRESETS
from nightmill.testing import Capture as Simulated
from nightmill_sky import disc_from_geometry, ephemeris
from nightmill_sky.maps import cylindrical_map
from nightmill_stages.orient import Orient

NIGHT = {"telescope": {"aperture_mm": 203.0, "focal_length_mm": 2030.0, "amplifier": 1.3}, "camera": {"pixel_um": 3.75}}


def mapped(minutes: float):
    """Map (System III, 1 degree a cell) of a simulated Jupiter some minutes after the first one."""
    preset = PRESETS["jupiter"](frames=2)
    start = preset.start + timedelta(minutes=minutes)
    sky = ephemeris("jupiter", start, satellites=False)
    scenario = replace(
        preset,
        start=start,
        shape=(190, 190),
        filter="G",
        camera=replace(preset.camera, colour="mono"),
        north_deg=12.0 + 0.1 * minutes,  # the field rotates, too
        telescope=replace(preset.telescope, amplifier=1.3),
        scene_options={"meridian_deg": sky.central_meridian_deg["III"]},
    )
    truth = Simulated(scenario).truth()
    # The centre of the frame is not the centre of the disc.
    plane = ndimage.shift(ndimage.gaussian_filter(truth.picture, 1.0), (3.3 - 0.1 * minutes, 0.07 * minutes), order=3)
    plane = 0.6 * plane / np.percentile(plane, 99.5) + 0.003 * np.random.default_rng(1).standard_normal(plane.shape)
    source = Capture("/x", "x.ser", "ser", 2, 9, 9, target="jupiter", filter="G", utc_start=start.timestamp())
    one = Picture(plane.astype(np.float32), captures=(source,), filters=("G",))
    (made,) = Orient(Orient.Parameters(mirrored=False)).develop([one], Context(captures=(source,), night=NIGHT))
    disc = disc_from_geometry(made.geometry, sky, system="III")
    assert disc is not None
    return cylindrical_map(made.data, disc, cells_per_degree=1.0)


def test_features_keep_their_longitude_over_an_hour():
    """0.3 degrees, over half a degree a minute of turning: the belts' features of both maps lie on one another."""
    maps = [mapped(minutes) for minutes in (0.0, 60.0)]
    for later in maps[1:]:
        offs = []
        for latitude in (-22.0, -8.0, 8.0, 22.0):
            rows = np.abs(maps[0].latitude_deg[:, 0] - latitude) < 5.0
            lines = [one.values[rows].mean(axis=0) for one in (maps[0], later)]
            seen = np.minimum(maps[0].weight[rows].min(axis=0), later.weight[rows].min(axis=0)) > 0.35
            assert seen.sum() > 40
            # Shading that is wider than features is none of theirs.
            fine = [line - ndimage.gaussian_filter1d(line, 12.0) for line in lines]
            tries = np.arange(-5.0, 5.01, 0.1)
            along = np.flatnonzero(seen)[8:-8]
            match = [
                np.corrcoef(fine[0][along], np.interp(along + shift, np.arange(360), fine[1]))[0, 1] for shift in tries
            ]
            if max(match) > 0.7:  # there are features
                offs.append(tries[int(np.argmax(match))])
        assert len(offs) >= 2
        assert abs(np.mean(offs)) < 0.3
