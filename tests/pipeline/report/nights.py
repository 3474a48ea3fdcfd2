"""Invented nights for the report: summaries, sheets and previews as a run leaves them, without running anything."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from nightmill.artefacts import FrameTable
from nightmill.report import Sources
from nightmill.work import looks, series
from nightmill.work.halves import THRESHOLD, half_set_correlation

TARGETS = ("jupiter", "mars", "moon", "saturn")


def disc(size: int, blur: float, noise: float, seed: int) -> np.ndarray:
    """An invented planet, (size, size, 3) float32, 0 to 1."""
    import cv2

    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:size, :size] / size - 0.5
    inside = np.hypot(x, y * 1.06) < 0.32
    bands = 0.6 + 0.18 * np.sin(40 * y + 3 * np.sin(6 * x)) + 0.06 * rng.normal(size=(size, size))
    picture = cv2.GaussianBlur((inside * bands).astype(np.float32), (0, 0), max(blur, 0.3))
    colour = picture[..., None] * np.array([1.0, 0.9, 0.75], np.float32)
    return (colour + rng.normal(0, noise, colour.shape)).astype(np.float32)


def write_sheet(folder: Path, seed: int, frames: int = 400) -> Path:
    """Write a sheet with everything that one can have."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(seed)
    sharp = 5e-5 * (1 + 0.3 * np.sin(np.arange(frames) / 60 + seed)) * rng.lognormal(0, 0.12, frames)
    used = sharp >= np.quantile(sharp, 0.7)
    table = FrameTable(
        {
            "number": np.arange(frames),
            "utc": 1.7e9 + np.arange(frames) * 0.2,
            "sharpness": sharp,
            "level": 0.6 + 0.01 * rng.normal(size=frames),
            "dx_px": np.where(used, np.cumsum(rng.normal(0, 0.5, frames)), np.nan),
            "dy_px": np.where(used, np.cumsum(rng.normal(0, 0.5, frames)), np.nan),
            "kept": used,
        }
    )
    x = series.seconds(table)
    gives = {"sharpness": "larger is sharper", "level": "fraction of full scale", "dx_px": "right", "dy_px": "down"}
    truth = disc(128, 1.2, 0.0, seed)[..., 0]
    halves = [truth + rng.normal(0, 0.02, truth.shape) for _ in range(2)]
    curve = half_set_correlation(*halves)
    labels = ("best", "median", "worst")
    for k, label in enumerate((*labels, "stack")):
        light = disc(160, 1.0 + 1.5 * (k % 3), 0.03 if label != "stack" else 0.0, seed)
        (folder / f"{label}.webp").write_bytes(looks.encode(looks.to_bytes(light, 0, 1), 45))
    sheet = {
        "pictures": {
            "frames": [
                {"label": label, "number": 10 * k, "sharpness": 1e-5 * (3 - k), "used": label != "worst"}
                for k, label in enumerate(labels)
            ],
            "size": [320, 320],
        },
        "brightness": {"peak": 0.72, "clipped": 0.0, "levels": 190, "full_scale": 255.0},
        "x": "s",
        "columns": series.describe(table, gives, x),
        "share": series.course(used.astype(float), x),
        "distribution": series.distribution(sharp, used),
        "drift": series.drift(table),
        "jitter_px": 1.2,
        "halves": {
            "frequency_per_px": series.tidy(curve.frequency),
            "correlation": series.tidy(curve.correlation),
            "limit_per_px": curve.limit,
            "threshold": THRESHOLD,
        },
        "frames": frames,
        "used": int(used.sum()),
        "missing": [],
    }
    (folder / "sheet.json").write_text(json.dumps(sheet), encoding="utf-8")
    return folder


def write_preview(folder: Path, seed: int, size: int) -> tuple[Path, dict]:
    """Write the preview of one picture, large and small, with frame and stack."""
    folder.mkdir(parents=True)
    for name, blur, noise in (("", 0.8, 0.004), ("frame.", 2.5, 0.05), ("stack.", 2.2, 0.003)):
        light = disc(size, blur * size / 300, noise, seed)
        fine, coarse = (55, 32) if name == "frame." else (82, 76)
        for suffix, side, quality in (("webp", 1200, fine), ("small.webp", 380, coarse)):
            data = looks.encode(looks.to_bytes(looks.shrink(light, side), 0, 0.9), quality)
            (folder / f"00.{name}{suffix}").write_bytes(data)
    return folder, {"place": "00", "width": size, "height": size, "before": ["frame", "stack"]}


def make_night(
    base: Path, captures: int, *, failed: int = 0, state: str = "finished", size: int = 360
) -> tuple[dict, Sources]:
    """Invent a night of `captures`, the last `failed` of which were set aside."""
    start = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
    summary: dict = {"format": 1, "state": state, "captures": [], "masters": [], "pictures": []}
    sources = Sources()
    for k in range(captures):
        target = TARGETS[k * len(TARGETS) // max(captures, 1)]
        when = start + timedelta(seconds=480 * min(1.0, 70 / captures) * k)
        name = f"{target}_{when:%Y%m%d_%H%M%S}_RGB"
        file = f"{name}.ser"
        bad = k >= captures - failed
        frames = 2000 + 10 * k
        note = {"stage": "stack", "kind": "choice", "name": "share", "value": {"share": 0.3}, "text": "It was best."}
        caution = {"stage": "calibrate", "kind": "caution", "name": "dark", "value": None, "text": "No dark fits."}
        one = {
            "file": file,
            "target": target,
            "filter": "RGB",
            "utc_mid": when.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "duration_s": 60.0 + k,
            "frames": frames,
            "frames_missing": 0,
            "width": 640,
            "height": 480,
            "cautions": [],
            "frames_kept": None if bad else 500 + 7 * (k % 13),
            "status": "set_aside" if bad else "done",
            "reason": "no object stands out in this capture: was it cloudy?" if bad else None,
            "stack": None if bad else f"stacks/{name}.fits",
            "masters": {} if bad else {"dark": "dark_20260112_175000.ser"},
            "notes": [] if bad else [note, caution],
        }
        summary["captures"].append(one)
        if bad:
            continue
        sources.sheets[file] = write_sheet(base / f"sheet{k}", k)
        sources.previews[name] = write_preview(base / f"preview{k}", k, size)
        summary["pictures"].append(
            {
                "name": name,
                "files": [f"pictures/{name}.{suffix}" for suffix in ("fits", "tif", "png", "labelled.png")],
                "target": target,
                "filters": ["RGB"],
                "utc": one["utc_mid"],
                "captures": [file],
                "geometry": {"scale_arcsec": 0.19, "north_angle_deg": 12.3},
                "header": {},
                "notes": [note, caution],
            }
        )
    done = captures - failed
    summary["counts"] = {"done": done, "set_aside": failed, "captures": captures, "pictures": len(summary["pictures"])}
    return summary, sources
