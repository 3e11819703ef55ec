"""Parts of a log without long gaps and impossible jumps, and the choice of one."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .log import Journal, Samples

SCRAP = 5.0  # s, shorter parts are left out
SHOWN = 8
REST_GAP = 120.0  # s, longest gap between two readings of rest that counts as rest
AFTER_JUMP = "after a jump of speed"


@dataclass(frozen=True, eq=False)
class LogPart:
    """A part of a log without long gaps.

    Attributes
    ----------
    piece : index of the piece between clock resets in which it lies
    speed : m/s
    cause : why it begins where it does, in words
    """

    piece: int
    speed: Samples
    cause: str

    @property
    def duration(self) -> float:
        """Seconds from first to last sample."""
        return float(self.speed.time[-1] - self.speed.time[0])

    @property
    def text(self) -> str:
        """Its span, distance and cause in words."""
        first, last = self.speed.time[[0, -1]]
        distance = np.trapezoid(self.speed.values, self.speed.time)
        return f"{first:.10g} to {last:.10g} s, {distance / 1e3:.2f} km ({self.cause})"

    def split(
        self, keep: np.ndarray, cuts: Sequence[int] | np.ndarray, causes: Sequence[str]
    ) -> "list[LogPart]":
        """Return the samples to keep, cut before each index of `cuts` for a cause of its own."""
        pieces = zip(
            np.split(self.speed.time, cuts),
            np.split(self.speed.values, cuts),
            np.split(keep, cuts),
            [self.cause, *causes],
            strict=True,
        )
        return [LogPart(self.piece, Samples(t, v).pick(k), why) for t, v, k, why in pieces]


def cut_at_gaps(
    piece: int, speed: Samples, bridge: float, rest: float, journal: Journal
) -> list[LogPart]:
    """Cut where samples are further apart than `bridge` (s) and than the usual raster.

    Between two readings of rest up to `REST_GAP` is bridged: control units fall silent when the
    engine is off.

    Parameters
    ----------
    piece
        Index of the piece between clock resets.
    speed
        Without blanks, in order of time.
    bridge
        Longest gap that a straight line may close, s.
    rest
        Speed up to which the vehicle counts as resting, m/s.
    journal
        Takes what is done.
    """
    steps = np.diff(speed.time)
    raster = float(np.median(steps)) if steps.size else 0.0
    longest = max(bridge, 1.5 * raster)
    resting = (np.maximum(speed.values[1:], speed.values[:-1]) <= rest) & (steps <= REST_GAP)
    silent = resting & (steps > longest)
    text = f"gaps of up to {REST_GAP:g} s between two readings of rest taken as rest: {{}}"
    journal.note_marked("gaps_at_rest", silent, text)
    hole = (steps > 2.5 * raster) & (steps <= longest)
    widest = steps.max(where=hole, initial=0.0)
    text = f"gaps bridged by straight lines: {{}}, the longest {widest:.3g} s"
    journal.note_marked("gaps_bridged", hole, text)
    gaps = np.flatnonzero((steps > longest) & ~silent)
    whole = LogPart(piece, speed, "after the clock jumped back" if piece else "start of the log")
    causes = [f"after a gap of {step:.4g} s" for step in steps[gaps]]
    return whole.split(np.ones(speed.time.size, dtype=bool), gaps + 1, causes)


def drop_scraps(parts: list[LogPart], journal: Journal) -> list[LogPart]:
    """Leave out parts shorter than `SCRAP`."""
    kept = [part for part in parts if part.duration >= SCRAP]
    scraps = [part for part in parts if part.duration < SCRAP]
    if scraps and kept:
        count = sum(part.speed.time.size for part in scraps)
        text = f"stretches shorter than {SCRAP:g} s left out: {len(scraps)} ({count} samples)"
        journal.note("scraps", len(scraps), text)
    return kept


def choose_part(path: Path, parts: list[LogPart], wanted: str, journal: Journal) -> LogPart:
    """Return the part asked for: its number, `longest`, or "" where there is only one.

    Raises
    ------
    InputError
        Nothing is left, there are several parts and none is asked for, or there is no such part.
    """
    if not parts:
        raise InputError(f"{path}: no stretch of {SCRAP:g} s or more without gaps is left")
    if not wanted and len(parts) == 1:
        return parts[0]
    if not wanted:
        listed = ", ".join(f"{i}: {part.text}" for i, part in enumerate(parts[:SHOWN], start=1))
        more = f", and {len(parts) - SHOWN} more" if len(parts) > SHOWN else ""
        jumps = any(part.cause.startswith(AFTER_JUMP) for part in parts)
        real = "; where jumps are real, raise --max-acceleration and --max-braking" if jumps else ""
        raise InputError(
            f"{path}: falls into {len(parts)} parts: {listed}{more}; choose one with "
            f"--part NUMBER or --part longest, or close longer gaps with --bridge{real}"
        )
    if wanted == "longest":
        number = 1 + max(range(len(parts)), key=lambda i: (parts[i].duration, -i))
    elif wanted.isascii() and wanted.isdigit() and 1 <= int(wanted) <= len(parts):
        number = int(wanted)
    else:
        raise InputError(
            f"part {wanted[:20]!r}: there is none such; give 1 to {len(parts)}, or longest"
        )
    part = parts[number - 1]
    journal.note("part", number, f"part {number} of {len(parts)} taken: {part.text}")
    return part
