"""A night of real recordings, half of them broken as disks, cables and cameras break them, with the stages that ship.

    python tests/benchmarks/faults/broken.py --work DIR

Uses the night of matrix.py in DIR (made when missing). Prints what became of every broken recording, and whether the
good ones came out with the same bytes as without them.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
from astropy.io import fits
from matrix import command, hashes, make_night


def breakages(good: Path, night: Path) -> None:
    """Write broken copies of a good recording, each with a target of its own."""
    data = good.read_bytes()
    header, body = data[:178], bytearray(data[178:])
    rng = np.random.default_rng(6)

    def put(name: str, content: bytes, kind: str = "ser") -> None:
        (night / f"venus_20250205_1800{name}_R.{kind}").write_bytes(content)

    put("00", data[:100])  # cut within the header
    put("01", b"")  # nothing at all
    put("02", rng.integers(0, 256, len(data), np.uint8).tobytes())  # noise from the first byte
    put("03", header + rng.integers(0, 256, len(body), np.uint8).tobytes())  # a header over noise
    put("04", header + bytes(len(body)))  # a header over nothing
    wide = bytearray(header)
    wide[26:34] = (100_000).to_bytes(4, "little") * 2
    put("05", bytes(wide) + bytes(body))  # a size that the file cannot hold
    put("06", header + b"\xff" * len(body))  # burnt out
    put("07", b"RIFF" + (2**32 - 1).to_bytes(4, "little") + b"AVI " + bytes(body[:5000]), "avi")
    put("08", b"\x89PNG\r\n\x1a\n" + bytes(body[:5000]), "png")
    fits.PrimaryHDU(np.full((20, 64, 64), np.nan, np.float32)).writeto(night / "venus_20250205_180009_R.fits")
    put("10", bytes(body[:3000]), "mp4")
    put("11", b"II*\0" + bytes(body[:3000]), "tif")


def main() -> None:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--work", type=Path, required=True)
    arguments = parser.parse_args()
    night = make_night(arguments.work)
    out = arguments.work / "alone"
    shutil.rmtree(out, ignore_errors=True)
    subprocess.run(command(night, out, "--workers", "2"), check=True, stdout=subprocess.DEVNULL)
    expected = hashes(out)
    mixed, out = arguments.work / "mixed", arguments.work / "mixed-out"
    for folder in (mixed, out):
        shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(night, mixed)
    breakages(next(mixed.glob("mars*_R.ser")), mixed)
    code = subprocess.run(
        command(mixed, out, "--workers", "2"), check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ).returncode
    found = {name: value for name, value in hashes(out).items() if "venus" not in name}
    summary = json.loads((out / "night.json").read_text(encoding="utf-8"))
    print("| recording | status | reason |\n| --- | --- | --- |")
    for one in summary["captures"]:
        if one["file"].startswith("venus"):
            print(f"| {one['file']} | {one['status']} | {one['reason'] or '; '.join(one['cautions'])} |")
    print(f"\nexit {code}; the good ones have the same bytes as alone: {found == expected}")
    raise SystemExit(0 if found == expected and code == 1 else 1)


if __name__ == "__main__":
    main()
