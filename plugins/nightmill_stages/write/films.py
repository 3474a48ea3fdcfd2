"""Writes sequences: animated PNG, GIF and MP4, each with the record, the same bytes for the same frames.

Sources
-------
W3C, Portable Network Graphics (PNG) Specification, third edition (2025), 5.6 and 11.3.5: animation. CompuServe 1990,
GIF89a: comment extension. ITU-T H.264 and ISO/IEC 14496-14 (MP4); colours by ITU-R BT.709 in limited range, which is
what browsers take for granted.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from nightmill.artefacts import Picture
from nightmill.errors import UsageError
from nightmill.hooks import Writer

from .icc import srgb_profile
from .record import KEYWORD, describe, read_record, to_text
from .writers import publish_whole

__all__ = ["AnimatedPngWriter", "FilmWriter", "GifWriter", "Mp4Writer"]

_PALETTE_FRAMES = 12
_CRF = "16"


class FilmWriter(Writer):
    """What the three share: which pictures they are for, and the record."""

    moving = True
    format: str

    def write(self, picture: Picture, path: Path) -> bool:
        """Write `picture.frames`; False when this format is not wanted."""
        film = picture.header.get("film", {})
        if picture.frames is None or self.format not in film.get("formats", (self.format,)):
            return False
        count = len(picture.frames)
        seconds = [float(one) for one in film.get("seconds", [0.1] * count)]
        text = to_text(describe(picture))
        publish_whole(path, lambda part: self.encode(picture.frames, seconds, text, part))
        return True

    def encode(self, frames: Any, seconds: list[float], text: str, path: Path) -> None:
        """Write frames (n, h, w, 3) uint8, shown for `seconds` each, and the record as ASCII text."""
        raise NotImplementedError

    def read_record(self, path: Path) -> dict[str, Any] | None:
        """Return the record of a file of this format, None for other files."""
        if path.suffix.lower() != self.suffix:
            return None
        text = self.text_of(path)
        if text is None:
            return None
        try:
            found = json.loads(text)["record"]
        except (ValueError, KeyError, TypeError) as error:
            raise UsageError(f"{path} is damaged: its record cannot be read ({error})") from error
        return found if isinstance(found, dict) else None

    def text_of(self, path: Path) -> str | None:
        """Return the text that `encode` put in; None when there is none."""
        raise NotImplementedError


class AnimatedPngWriter(FilmWriter):
    """Animated PNG, 8 bits, with colour profile; programs that know no animation show its first frame."""

    name = "animated-png"
    suffix = ".png"
    format = "png"

    def encode(self, frames: Any, seconds: list[float], text: str, path: Path) -> None:
        """Write all frames; endless."""
        first, *rest = _images(frames)
        chunks = PngImagePlugin.PngInfo()
        chunks.add_text("Software", "nightmill")
        chunks.add_itxt(KEYWORD, text, zip=True)
        first.save(
            path,
            format="PNG",
            save_all=True,
            append_images=rest,
            duration=[1000.0 * one for one in seconds],
            loop=0,
            pnginfo=chunks,
            icc_profile=srgb_profile(colour=first.mode == "RGB"),
        )

    def read_record(self, path: Path) -> dict[str, Any] | None:
        """Read as from any PNG."""
        return read_record(path) if path.suffix.lower() == self.suffix else None


class GifWriter(FilmWriter):
    """GIF with one palette for all frames, so that colours do not flicker; grey frames keep every tone."""

    name = "gif"
    suffix = ".gif"
    format = "gif"

    def encode(self, frames: Any, seconds: list[float], text: str, path: Path) -> None:
        """Write all frames; endless. Times are rounded to hundredths of a second, which is what GIF has."""
        images = _images(frames)
        if images[0].mode == "RGB":
            chosen = [images[k] for k in np.linspace(0, len(images) - 1, min(len(images), _PALETTE_FRAMES)).astype(int)]
            sheet = Image.fromarray(np.concatenate([np.asarray(one) for one in chosen]))
            palette = sheet.quantize(256, method=Image.Quantize.MEDIANCUT)
            images = [one.quantize(palette=palette, dither=Image.Dither.FLOYDSTEINBERG) for one in images]
        first, *rest = images
        first.save(
            path,
            format="GIF",
            save_all=True,
            append_images=rest,
            duration=[max(20, 10 * round(100.0 * one)) for one in seconds],
            loop=0,
            optimize=False,
            disposal=1,
            comment=text.encode("ascii"),
        )

    def text_of(self, path: Path) -> str | None:
        """Read the comment."""
        try:
            with Image.open(path) as image:
                comment = image.info.get("comment")
        except OSError as error:
            raise UsageError(f"{path} cannot be read: {error}") from error
        return comment.decode("ascii", "replace") if isinstance(comment, bytes) else comment


class Mp4Writer(FilmWriter):
    """MP4 with H.264 (4:2:0, 8 bits), which browsers and phones play; small, and a little less exact than PNG."""

    name = "mp4"
    version = "2"
    suffix = ".mp4"
    format = "mp4"

    def encode(self, frames: Any, seconds: list[float], text: str, path: Path) -> None:
        """Write all frames at one rate; what is shown longer is repeated."""
        import av
        from av.video.reformatter import ColorRange, Colorspace

        unit = min(seconds)
        height, width = frames.shape[1:3]
        with av.open(
            path, "w", format="mp4", container_options={"movflags": "+faststart+use_metadata_tags"}
        ) as container:
            container.flags |= av.container.Flags.bitexact.value
            container.metadata[KEYWORD] = text
            # One thread: with several the bits would depend on their number. And the encoder's plain code: its vector
            # code reads memory that nobody wrote, and the bits vary from run to run (and between processors).
            options = {
                "crf": _CRF,
                "preset": "medium",
                "threads": "1",
                "x264-params": "threads=1:lookahead-threads=1:asm=0",
            }
            stream = container.add_stream("libx264", rate=_fraction(unit), options=options)
            # Whole blocks of 16 pixels, by more of the same to the right and below.
            more = ((0, -height % 16), (0, -width % 16), (0, 0))
            stream.width, stream.height, stream.pix_fmt = width + more[1][1], height + more[0][1], "yuv420p"
            context = stream.codec_context
            context.flags |= av.codec.context.Flags.bitexact.value
            context.color_range = ColorRange.MPEG
            context.colorspace = Colorspace.ITU709
            context.color_primaries, context.color_trc = 1, 13  # BT.709 primaries, the curve of sRGB
            for pixels, shown_s in zip(frames, seconds, strict=True):
                planes = to_yuv420(np.pad(pixels, more, mode="edge"))
                for _ in range(max(1, round(shown_s / unit))):
                    container.mux(stream.encode(av.VideoFrame.from_ndarray(planes, format="yuv420p")))
            container.mux(stream.encode(None))

    def text_of(self, path: Path) -> str | None:
        """Read the tag."""
        import av

        try:
            with av.open(path) as container:
                return container.metadata.get(KEYWORD)
        except av.error.FFmpegError as error:
            raise UsageError(f"{path} cannot be read: {error}") from error


def to_yuv420(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Convert a frame for video.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (h, w, 3)
        R, G, B; even height and width.

    Returns
    -------
    ndarray of uint8, shape (h + h // 2, w)
        Planes Y, U, V, one behind the other, U and V from means of 2 x 2 pixels: ITU-R BT.709-6, 3 and 4 (8 bits,
        limited range). Done here, because the library's conversion reads beyond narrow pictures, and its bits vary.
    """
    light = pixels.astype(np.float32)
    # Written out: a matrix product's last bits depend on where in memory the pixels lie.
    red, green, blue = (light[..., k] for k in range(3))
    luma = np.float32(0.2126) * red + np.float32(0.7152) * green + np.float32(0.0722) * blue
    height, width = luma.shape
    parts = [np.rint(16.0 + luma * (219.0 / 255.0)).astype(np.uint8).ravel()]
    for channel, span in ((2, 1.8556), (0, 1.5748)):
        difference = (light[..., channel] - luma) * np.float32(224.0 / 255.0 / span)
        rows = difference[0::2] + difference[1::2]
        small = (rows[:, 0::2] + rows[:, 1::2]) * np.float32(0.25)
        parts.append(np.rint(128.0 + small).astype(np.uint8).ravel())
    return np.concatenate(parts).reshape(height + height // 2, width)


def _fraction(unit_s: float) -> Any:
    from fractions import Fraction

    return Fraction(1000, max(1, round(1000.0 * unit_s)))


def _images(frames: NDArray[np.uint8]) -> list[Image.Image]:
    """Frames as images; grey ones where all frames are grey, for a third of the size."""
    grey = all(bool((one[..., :1] == one).all()) for one in frames)
    return [Image.fromarray(np.ascontiguousarray(one[..., 0] if grey else one)) for one in frames]
