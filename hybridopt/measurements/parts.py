"""Stretches of a log without long gaps and impossible jumps, and the choice of one."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .log import Intervention, Samples

SCRAP = 5.0  # s, shorter stretches are left out
SHOWN = 8


@dataclass(frozen=True, eq=False)
class Stretch:
    """A stretch of speed in m/s without long gaps; `run` counts the runs of the clock."""

    run: int
    speed: Samples
    cause: str

    @property
    def duration(self) -> float:
        """Seconds from first to last sample."""
        return float(self.speed.time[-1] - self.speed.time[0])

    @property
    def distance(self) -> float:
        """Metres, speed linear between samples."""
        return float(np.trapezoid(self.speed.values, self.speed.time))


def cut_at_gaps(
    run: int, speed: Samples, bridge: float
) -> tuple[list[Stretch], list[Intervention]]:
    """Cut where samples are further apart than `bridge` (s) and than the usual raster.

    Parameters
    ----------
    run
        Number of the clock's run.
    speed
        Without blanks, in order of time.
    bridge
        Longest gap that a straight line may close, s.
    """
    steps = np.diff(speed.time)
    raster = float(np.median(steps)) if steps.size else 0.0
    longest = max(bridge, 1.5 * raster)
    holes = steps[(steps > 2.5 * raster) & (steps <= longest)]
    done = []
    if holes.size:
        text = f"gaps bridged by straight lines: {holes.size}, the longest {holes.max():.3g} s"
        done.append(Intervention("gaps_bridged", holes.size, text))
    cuts = np.flatnonzero(steps > longest) + 1
    parts = []
    for first, stop in zip([0, *cuts], [*cuts, speed.time.size], strict=True):
        cause = f"after a gap of {steps[first - 1]:.4g} s" if first else "start of the log"
        parts.append(Stretch(run, speed.pick(slice(first, stop)), cause))
    return parts, done


def drop_scraps(parts: list[Stretch]) -> tuple[list[Stretch], list[Intervention]]:
    """Leave out stretches shorter than `SCRAP`."""
    kept = [part for part in parts if part.duration >= SCRAP]
    scraps = [part for part in parts if part.duration < SCRAP]
    if not scraps or not kept:
        return kept, []
    count = sum(part.speed.time.size for part in scraps)
    text = f"stretches shorter than {SCRAP:g} s left out: {len(scraps)} ({count} samples)"
    return kept, [Intervention("scraps", len(scraps), text)]


def choose_part(
    path: Path, parts: list[Stretch], wanted: str
) -> tuple[Stretch, list[Intervention]]:
    """Return the part asked for: its number, `longest`, or "" where there is only one.

    Raises
    ------
    InputError
        Nothing is left, there are several parts and none is asked for, or there is no such part.
    """
    if not parts:
        raise InputError(f"{path}: no stretch of {SCRAP:g} s or more without gaps is left")
    if wanted == "longest":
        index = max(range(len(parts)), key=lambda i: (parts[i].duration, -i))
    elif wanted:
        if not (wanted.isascii() and wanted.isdigit() and 1 <= int(wanted) <= len(parts)):
            raise InputError(
                f"part {wanted[:20]!r}: there is none such; give 1 to {len(parts)}, or longest"
            )
        index = int(wanted) - 1
    elif len(parts) == 1:
        return parts[0], []
    else:
        raise InputError(
            f"{path}: falls into {len(parts)} parts: {_listed(parts)}; choose one with "
            "--part NUMBER or --part longest, or close longer gaps with --bridge"
        )
    part = parts[index]
    text = f"part {index + 1} of {len(parts)} taken: {_told(part)}"
    return part, [Intervention("part", index + 1, text)]


def _listed(parts: list[Stretch]) -> str:
    told = [f"{i}: {_told(part)}" for i, part in enumerate(parts[:SHOWN], start=1)]
    more = f", and {len(parts) - SHOWN} more" if len(parts) > SHOWN else ""
    return ", ".join(told) + more


def _told(part: Stretch) -> str:
    first, last = part.speed.time[[0, -1]]
    where = f"{first:.10g} to {last:.10g} s, {part.distance / 1e3:.2f} km"
    return f"{where} ({part.cause})"
