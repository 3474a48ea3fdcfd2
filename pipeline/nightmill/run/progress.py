"""What a person sees of a run: a live display on a terminal, plain lines anywhere else."""

from __future__ import annotations

import os
import sys
import time
from typing import TextIO

from ..plan import Plan
from ..telling import about, count, size

__all__ = ["Progress"]

LINE_SECONDS = 60.0


class Progress:
    """Tells of a run.

    Parameters
    ----------
    stream : text stream
        A terminal gets a live display; anything else one plain line for each finished capture, and one a minute.
    quiet : bool
        Tell only of what was set aside.
    """

    def __init__(self, stream: TextIO | None = None, *, quiet: bool = False) -> None:
        from rich.console import Console

        self._stream = stream or sys.stderr
        self._live_wanted = self._stream.isatty() and not os.environ.get("NO_COLOR") and not quiet
        self._quiet = quiet
        self._console = Console(
            file=self._stream,
            highlight=False,
            soft_wrap=True,
            no_color=not self._live_wanted,
            force_terminal=self._live_wanted,
        )
        self._plan = Plan()
        self._began = self._last = time.monotonic()
        self._finished = self._total = 0
        self._live: object | None = None
        self._pictures: set[str] = set()

    def opening(self) -> None:
        """Tell that recordings are being opened."""
        self._began = time.monotonic()

    def begin(self, plan: Plan, set_aside: int) -> None:
        """Tell what is planned."""
        self._plan = plan
        self._finished = 0
        self._total = len(plan.chains)
        frames = sum(chain.capture.frames for chain in plan.chains)
        held = sum(chain.capture.frames * chain.capture.frame_bytes for chain in plan.chains)
        masters = f", {len(plan.masters)} darks and flats" if plan.masters else ""
        self._say(f"{count(self._total, 'capture')}, {count(frames, 'frame')}, {size(held)}{masters}")
        if self._live_wanted:
            from rich.live import Live

            self._live = Live(console=self._console, refresh_per_second=4, transient=True)
            self._live.start()

    def done(self, index: int) -> None:
        """Tell that a capture is finished."""
        self._finished += 1
        chain = self._plan.chains[index]
        self._say(f"[{self._finished}/{self._total}] {self._clock()}  {chain.capture.file}  done")

    def set_aside(self, file: str, reason: str) -> None:
        """Tell that a capture was set aside, and why."""
        if any(chain.capture.file == file for chain in self._plan.chains):
            self._finished += 1
        self._console.print(f"set aside: {about(file, reason)}", style="yellow", markup=False)

    def plugin_broken(self, name: str, reason: str) -> None:
        """Tell that a plugin cannot be loaded, which no recipe of this run uses."""
        text = f"not loaded, and not needed here: plugin {name}: {reason}"
        self._console.print(text, style="yellow", markup=False)

    def beware(self, text: str) -> None:
        """Tell what the user should know before anything starts."""
        self._console.print(f"beware: {text}", style="yellow", markup=False)

    def note(self, text: str) -> None:
        """Tell what the user may have meant otherwise."""
        if not self._quiet:
            self._console.print(f"note: {text}", style="yellow", markup=False)

    def pictures(self, names: list[str]) -> None:
        """Tell of finished pictures."""
        for name in names:
            if name not in self._pictures:
                self._pictures.add(name)
                self._say(f"        {self._clock()}  {name}")

    def tick(self, working: list[str]) -> None:
        """Show what is being done."""
        if self._live is not None:
            from rich.text import Text

            rows = [f"  {title}" for title in working[:8]]
            rows.append(f"  {self._finished} of {self._total} captures, {self._clock()}")
            self._live.update(Text("\n".join(rows), no_wrap=True))  # type: ignore[attr-defined]
        elif not self._quiet and time.monotonic() - self._last > LINE_SECONDS:
            self._say(f"        {self._clock()}  working on {'; '.join(working[:2])}")

    def waiting(self, recording: int) -> None:
        """Tell, at most once a minute, that recordings are being waited for."""
        if time.monotonic() - self._last > LINE_SECONDS:
            more = f"; {count(recording, 'recording')} still growing" if recording else ""
            self._say(f"        {self._clock()}  waiting for recordings{more}")

    def end(self) -> None:
        """Take the live display away."""
        if self._live is not None:
            self._live.stop()  # type: ignore[attr-defined]
            self._live = None

    def _say(self, text: str) -> None:
        self._last = time.monotonic()
        if not self._quiet:
            self._console.print(text, markup=False)

    def _clock(self) -> str:
        seconds = int(time.monotonic() - self._began)
        return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
