"""What the sheet says of a target in plain sentences, each with its figure."""

from __future__ import annotations

from typing import Any

__all__ = ["LONGEST_S", "SURFACES", "verdicts"]

LONGEST_S = 180.0
"""Longer captures of one file are seldom worth their size, even where rotation allows them. Common practice, no
source."""

SURFACES = ("moon", "sun")

Json = dict[str, Any]


def verdicts(part: Json) -> list[str]:
    """Put what the sheet holds of a target into sentences."""
    name, said = _called(part["target"]), []
    night = part["night"]
    if night is not None and night["best_utc"] is None:
        dark = "" if part["target"] == "sun" else " in the dark"
        return [_sentence(f"{name} does not stand 10 degrees high{dark} on this date.")]
    if night is not None:
        when = night["best_utc"][11:16]
        said.append(f"{name} stands highest at {when} UTC, at {night['best_altitude_deg']:.0f} degrees.")
        spread, element = night["best_dispersion_arcsec"], part["element_arcsec"]
        if spread > element:
            said.append(
                f"Even then the air spreads {name} by {spread:.1f} arcsec from {night['to_nm']:.0f} to "
                f"{night['from_nm']:.0f} nm, more than the telescope's {element:.2f}: a dispersion corrector or single "
                "filters pay."
            )
        else:
            said.append(
                f"From {night['fine_from'][11:16]} to {night['fine_to'][11:16]} UTC the air spreads {name}'s colours "
                f"by less than one resolution element of {element:.2f} arcsec."
            )
    if part["longest_s"] < LONGEST_S:
        said.append(
            f"{name} turns by one resolution element in {part['longest_s']:.0f} s: longer captures gain nothing "
            "without derotation."
        )
    else:
        said.append(
            f"{name} turns by one resolution element in {_minutes(part['longest_s'])}, so rotation does not limit a "
            f"capture of {LONGEST_S:.0f} s."
        )
    for pair in part["cameras"]:
        said += _camera_verdict(name, pair)
    return [_sentence(one) for one in said]


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:]


def _camera_verdict(name: str, pair: Json) -> list[str]:
    if pair.get("too_small"):
        size = f"{pair['size_px'][0]:.0f} x {pair['size_px'][1]:.0f} px"
        return [
            f"{pair['name']}: {name}, {size}, does not fit on the sensor with room for drift; take a weaker amplifier."
        ]
    if "panels" in pair and pair["panels"] != [1, 1]:
        across, down = pair["panels"]
        return [f"{pair['name']}: {name} takes {across} x {down} frames of the whole sensor."]
    frame = pair.get("frame")
    if frame is None:
        return []
    size = f"{frame['width_px']} x {frame['height_px']} px"
    if frame["frames_per_s"] is None:
        larger = "or the next larger frame that the camera offers"
        return [f"{pair['name']}: {size}, {larger}, holds {name} with room for drift."]
    words = f"{size} at {frame['frames_per_s']:.0f} frames a second"
    limit = ", as much as the link carries" if frame["limited_by"] == "link" else ""
    if frame["eight_bit_rate"] is not None:
        limit += f" ({frame['eight_bit_rate']:.0f} with 8-bit samples)"
    return [
        f"{pair['name']}: record {name} in {words}{limit}: {frame['frames']:,} frames and {frame['gigabytes']:.1f} GB "
        f"in {pair['capture_s']:.0f} s, exposures up to {frame['longest_exposure_ms']:.1f} ms."
    ]


def _called(target: str) -> str:
    return f"the {target.capitalize()}" if target in SURFACES else target.capitalize()


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"
