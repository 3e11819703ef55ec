"""Shift lines of a car: vehicle speeds at which its gears are left, over wheel torque."""

from dataclasses import dataclass

import numpy as np

from ..controllers.maps import Map
from ..distillation.coverage import VISITED
from ..foresight.nodes import node_weights
from ..tables.rule_set import Coverage
from ..tables.rule_table import line_axes
from .boundaries import fit_boundary, nearest_known
from .observed import Observed

FEWEST = 3  # shifts of a gear and engine state that a line of its own needs
LANDINGS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
GAP = 0.93  # of the line up, the highest line that leads back down


@dataclass(frozen=True, eq=False)
class ShiftLines:
    """Fitted shift lines.

    Attributes
    ----------
    up, down : over gear (1 is first), wheel torque (N m), engine state; m/s
    lands : shares of landing, see :class:`hybridopt.tables.rule_table.RuleTable`
    spread_up, spread_down : m/s, mean scatter of the lines that were fitted
    coverage : of both tables, by name
    agreement : share of steps in which the lines ask for the gear that the car took
    """

    up: Map
    down: Map
    lands: dict[str, float]
    spread_up: float
    spread_down: float
    coverage: dict[str, Coverage]
    agreement: float


def fit_lines(
    seen: Observed, torques: np.ndarray, ratio: np.ndarray, min_gear: float
) -> ShiftLines:
    """Fit the lines of all gears and both engine states.

    A gear that a log leaves fewer than `FEWEST` times in an engine state takes the line of both
    states together, or else the shaft speed of the nearest gear's line. Last come the shares of
    landing that skip as many gears as the car did.

    Parameters
    ----------
    seen
        What the car saw and did.
    torques
        Nodes of wheel torque, N m.
    ratio
        Input speed over wheel speed, by gear.
    min_gear
        s, for which a gear is held.
    """
    gears = ratio.size
    rows_of = {
        "shift_up": slice(0, max(gears - 1, 1)),
        "shift_down": slice(min(1, gears - 1), None),
    }
    up, down = np.full((2, gears, torques.size, 2), np.nan)
    visits = np.zeros((gears, torques.size, 2))
    shifted = seen.gear != seen.gear_before
    free = (seen.gear_time >= min_gear - 1e-6) & (seen.speed > 0.0) | shifted
    spreads: dict[int, list[float]] = {1: [], -1: []}
    for g in range(gears):
        for state in range(2):
            here = (seen.gear_before == g) & (seen.on == (state == 1))
            visits[g, :, state] = seen.dt[here] @ node_weights(seen.wheel_torque[here], torques)
        for sign, lines in ((1, up), (-1, down)):
            if 0 <= g + sign < gears:
                for state in range(2):
                    lines[g, :, state] = _line(seen, free, g, sign, state, torques, spreads[sign])
    for lines in (up, down):
        _fill(lines, ratio)
        for row, seconds in zip(lines, visits, strict=True):
            for state in range(2):
                row[:, state] = nearest_known(row[:, state], seconds[:, state] >= VISITED)
    up[:-1] = np.maximum.accumulate(np.maximum(up[:-1], 0.1), axis=0)
    down[1:] = np.minimum(np.maximum.accumulate(down[1:], axis=0), GAP * up[:-1])
    coverage = {}
    for name, rows in rows_of.items():
        coverage[name] = Coverage(visits[rows], 0.0 * visits[rows], visits[rows] < VISITED)
    mean = {sign: float(np.mean(found)) if found else 0.0 for sign, found in spreads.items()}
    above, below = line_axes(gears, torques)
    found = _Asked(seen, torques, up, down, min_gear)
    land_up = max(LANDINGS, key=lambda share: found.agreement(share, 0.0))
    land_down = max(LANDINGS, key=lambda share: found.agreement(land_up, share))
    agreement = found.agreement(land_up, land_down)
    lands = {"land_up": land_up, "land_down": land_down}
    left_up, left_down = (
        Map(above, up[rows_of["shift_up"]]),
        Map(below, down[rows_of["shift_down"]]),
    )
    return ShiftLines(left_up, left_down, lands, mean[1], mean[-1], coverage, agreement)


def _line(
    seen: Observed,
    free: np.ndarray,
    g: int,
    sign: int,
    state: int,
    torques: np.ndarray,
    spreads: list[float],
) -> np.ndarray:
    """Return one line, NaN where too few shifts tell it."""
    for states in ((state,), (0, 1)):
        fits = np.isin(seen.on.astype(int), states)
        here = fits & free & (seen.gear_before == g)
        left = here & (sign * (seen.gear - g) > 0)
        use = here & (left | (seen.gear == g))
        if np.count_nonzero(left) < FEWEST or np.array_equal(left, use):
            continue
        above = left[use] if sign > 0 else ~left[use]
        found = fit_boundary(seen.speed[use], above, [seen.wheel_torque[use]], (torques,), (False,))
        spreads.append(found.spread)
        return found.values
    return np.full(torques.size, np.nan)


def _fill(lines: np.ndarray, ratio: np.ndarray) -> None:
    """Fill lines that are not told: the other state's, else the nearest gear's shaft speed."""
    for state in range(2):
        missing = np.isnan(lines[:, 0, state])
        lines[missing, :, state] = lines[missing, :, 1 - state]
    for state in range(2):
        known = np.flatnonzero(~np.isnan(lines[:, 0, state]))
        for g in np.flatnonzero(np.isnan(lines[:, 0, state])):
            if known.size:
                near = known[np.argmin(np.abs(known - g))]
                lines[g, :, state] = lines[near, :, state] * ratio[near] / ratio[g]
            else:
                lines[g, :, state] = 150.0 / ratio[g]


class _Asked:
    """The gears that lines ask for in the car's own states."""

    def __init__(
        self, seen: Observed, torques: np.ndarray, up: np.ndarray, down: np.ndarray, min_gear: float
    ) -> None:
        weights, rows = node_weights(seen.wheel_torque, torques), np.arange(seen.speed.size)
        state = seen.on.astype(int)
        self._up = np.einsum("sn,gne->sge", weights, up)[rows, :, state].tolist()
        self._down = np.einsum("sn,gne->sge", weights, down)[rows, :, state].tolist()
        self._speed, self._gear = seen.speed.tolist(), seen.gear.tolist()
        self._before = seen.gear_before.tolist()
        self._held = (seen.gear_time < min_gear - 1e-6).tolist()

    def agreement(self, land_up: float, land_down: float) -> float:
        """Return the share of steps in which the lines ask for the gear that the car took."""
        asked = (self._asked(t, land_up, land_down) for t in range(len(self._speed)))
        return float(np.mean([a == b for a, b in zip(asked, self._gear, strict=True)]))

    def _asked(self, t: int, land_up: float, land_down: float) -> int:
        """Return the gear of a step, as `controllers/rule_kernels.py` finds it."""
        gear = before = self._before[t]
        speed, up, down = self._speed[t], self._up[t], self._down[t]
        if self._held[t]:
            return int(gear)
        while gear > 0:
            line = down[gear]
            if gear < before:
                line += land_down * max(up[gear - 1] - line, 0.0)
            if speed >= line:
                break
            gear -= 1
        while gear >= before and gear + 1 < len(up):
            line = up[gear]
            if gear > before:
                line -= land_up * max(line - down[gear + 1], 0.0)
            if speed < line:
                break
            gear += 1
        return int(gear)
