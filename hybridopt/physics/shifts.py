"""What a gear shift takes: fuel for its rotors, torque missing meanwhile, and friction work.

No step's choices know of it: it is charged per step, gear and engine class, in fuel, whatever the
split. What is missing while driving is made up afterwards, at a higher torque; what is missing of
recuperation is braked away; while coasting down an engine without fuel has to be fed.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..inputs.driveline import Driveline
from .codes import LOCKED, RUNNING, SLIPPING, EngineClass, Reason
from .demand import Demand
from .entries import (
    P_BATTERY_POWER,
    P_FUEL_RATE,
    P_SIZE,
    R_WHEEL_TORQUE,
    S_HIGH,
    S_LOW,
    S_MOTOR,
    S_OVERRUN,
    S_POWER_MIN,
    S_SIZE,
    S_TOTAL,
)
from .interpolation import _interp
from .operating_points import demand_rows
from .plant import pack
from .rotors import rotor_fuel, rotor_inertia
from .shaft import _launch_clutch, _shaft
from .step import _point

UP, DOWN, BACK, COAST = range(4)  # under drive torque up, down; in regeneration; coasting down


class Interruptions(NamedTuple):
    """What shifts lose by the time they take, by engine class and gear, from gear to gear.

    Attributes
    ----------
    fuel : g, (steps, 3 engine classes, gears, gears)
    too_long : whether the demand cannot wait so long, bool, the same shape
    """

    fuel: np.ndarray
    too_long: np.ndarray


def shift_fuel(
    driveline: Driveline, demand: Demand, taken: tuple[np.ndarray, ...] | None = None
) -> np.ndarray:
    """Fuel of a shift at the start of each step: of its rotors, and what it loses by its time.

    Parameters and shape are those of :func:`.rotors.rotor_fuel`. Where the demand cannot wait,
    nothing is charged for what is late.
    """
    fuel, lost = rotor_fuel(driveline, demand, taken), interruptions(driveline, demand)
    if lost is None:
        return fuel
    return np.asarray(fuel + (lost.fuel if taken is None else lost.fuel[taken]))


def interruptions(driveline: Driveline, demand: Demand) -> Interruptions | None:
    """Work out what shifts at the start of each step lose; None where they take no time.

    Parameters
    ----------
    driveline
        The vehicle.
    demand
        What the wheels want.

    Notes
    -----
    A shift takes a time τ in which the share s of the torque gets through, so that all of it is
    missing for g = (1 - s) τ. Under drive torque T at the wheels it is made up within the time M:
    the torque is T M / (M - g) for M - g. With r(T) what the machines take per second at a torque,
    the motor helping as little as it can, battery energy counted as fuel at the gearbox's
    `shift_efficiency`,

        fuel = (M - g) r(T M / (M - g)) + g r(0) - M r(T),

    or 0 if that is less; where the higher torque cannot be given, the demand cannot wait. While
    the wheels brake, the most power that the gear can recuperate, times g, is braked away and paid
    at the same efficiency. Where the gearbox's drag or the engine's overrun takes all that the
    wheels give, a shift down with a time of its own costs g (r(0) - r(T)): the engine, no longer
    turned, needs fuel. Elements that carry the share s while their slip falls steadily from
    |w1 - w2| to 0 turn s |T_in| |w1 - w2| τ / 2 into heat; it is paid likewise. At rest nothing
    is lost.

    With `launch_rotors`, what rotors gain at the launch clutch is paid besides (:func:`launched`),
    also where the gear stays.
    """
    shifts = driveline.shifts
    if shifts.plain:
        return None
    gears, price = driveline.gearbox.gears, _price(driveline)
    shape = (demand.steps, len(EngineClass), gears, 2)
    lost, carried = np.zeros(shape), np.zeros(shape)
    moving = demand.speed_start > 0.0
    args = moving, np.array(shifts.gaps), np.array(shifts.times), shifts.make_up_time, price
    coasts = shifts.coast_down_time is not None
    _lost(pack(driveline), demand_rows(demand), *args, coasts, lost, carried)
    too_long = np.isinf(lost)
    lost[too_long] = 0.0
    step = np.sign(np.arange(gears)[None, :] - np.arange(gears)[:, None])
    to = np.arange(gears)[None, :]
    way = np.where(step > 0, UP, DOWN)
    changes = step != 0
    fuel = lost[:, :, to, way] + price * _friction(driveline, demand, carried[:, :, to, way])
    paid = fuel * changes + (launched(driveline, demand) if shifts.launch_rotors else 0.0)
    return Interruptions(paid, too_long[:, :, to, way] & changes)


def launched(driveline: Driveline, demand: Demand) -> np.ndarray:
    """Fuel for what the rotors of a running engine gain at the launch clutch before each step.

    Returns
    -------
    ndarray, (steps, 3 engine classes, gears, gears)
        g, 0 for other classes. It is the rise of 1/2 J w^2 from the end of the step before to the
        beginning of this one, w that of the state the launch clutch has in each gear, as far as
        :func:`.rotors.rotor_fuel` does not charge it. What the engine did before a first step at
        rest is idling.
    """
    gears, inertia = driveline.gearbox.gears, rotor_inertia(driveline)[EngineClass.RUNNING]
    clutch = np.empty((demand.steps, gears))
    _clutches(pack(driveline), demand_rows(demand), clutch)
    ratios = np.array(driveline.gearbox.ratios) * driveline.gearbox.final_drive
    turning = demand.speeds[:, None] / driveline.vehicle.wheel_radius * ratios
    free = np.where(
        clutch == SLIPPING, driveline.clutches.launch_speed, driveline.engine.idle_speed
    )
    begin, end = (np.where(clutch == LOCKED, w, free) for w in (turning[:-1], turning[1:]))
    first = turning[:1] if demand.speed_start[0] > 0.0 else np.full((1, gears), free.min())
    before = np.concatenate((first, end[:-1]))
    held = np.concatenate((np.full((1, gears), LOCKED), clutch[:-1])) == LOCKED
    rise = begin[:, None, :] ** 2 - before[:, :, None] ** 2
    by_shift = rotor_fuel(driveline, demand)[:, EngineClass.RUNNING]
    more = np.maximum(0.5 * inertia * rise * _price(driveline) - by_shift, 0.0)
    both = held[:, :, None] & (clutch == LOCKED)[:, None, :]  # the ratios say it all
    fuel = np.zeros((demand.steps, len(EngineClass), gears, gears))
    fuel[:, EngineClass.RUNNING] = np.where(both, 0.0, more)
    return fuel


@kernel
def _clutches(plant, rows, clutch):
    """Fill the state of the launch clutch by step and gear, the engine on; below 0 is no use."""
    for t in range(clutch.shape[0]):
        for g in range(clutch.shape[1]):
            clutch[t, g] = _launch_clutch(plant, rows[t], g, RUNNING)


def _price(driveline: Driveline) -> float:
    """Fuel of what a shift loses, g/J."""
    return 1.0 / (driveline.gearbox.shift_efficiency * driveline.fuel.heating_value)


def _friction(driveline: Driveline, demand: Demand, carried: np.ndarray) -> np.ndarray:
    """Return the heat of the shift elements, J, (steps, 3 engine classes, gears, gears).

    `carried`, of this shape, is the torque they carry times the time, N m s.
    """
    ratios = np.array(driveline.gearbox.ratios) * driveline.gearbox.final_drive
    slip = np.abs(ratios[None, :] - ratios[:, None]) / driveline.vehicle.wheel_radius
    return np.asarray(carried * (0.5 * demand.speed_start[:, None, None] * slip)[:, None])


@kernel
def _lost(plant, rows, moving, gaps, times, make_up, price, coasts, lost, carried):
    """Fill the fuel lost in each step, class and gear by shifts up and down, and what they carry.

    Infinite where the demand cannot wait. `carried` is torque times time at the input, N m s.
    """
    shaft, point = np.empty(S_SIZE), np.empty(P_SIZE)
    fuel_row, loss_row = np.empty(plant.fuel_torque.size), np.empty(plant.loss_torque.size)
    steps, classes, gears, _ = lost.shape
    for t in range(steps):
        if not moving[t]:
            continue
        row = rows[t].copy()
        wanted = row[R_WHEEL_TORQUE]
        for c in range(classes):
            for g in range(gears):
                row[R_WHEEL_TORQUE] = wanted
                if _shaft(plant, row, g, c, shaft, fuel_row, loss_row) != Reason.FEASIBLE:
                    continue
                torque, coasting = abs(shaft[S_TOTAL]), False
                if wanted <= 0.0:
                    coasting = coasts and shaft[S_TOTAL] >= shaft[S_OVERRUN]
                    power = _recuperated(plant, shaft, loss_row)
                    lost[t, c, g, :] = gaps[BACK] * power * price if wanted < 0.0 else 0.0
                for way in (UP, DOWN):
                    kind = way if wanted >= 0.0 else BACK
                    kind = COAST if coasting and way == DOWN else kind
                    carried[t, c, g, way] = torque * (times[kind] - gaps[kind])
                if wanted <= 0.0 and not coasting:
                    continue
                even = _taken(plant, shaft, fuel_row, loss_row, wanted, price, point)[0]
                row[R_WHEEL_TORQUE] = 0.0
                idle = 0.0
                if _shaft(plant, row, g, c, shaft, fuel_row, loss_row) == Reason.FEASIBLE:
                    idle = _taken(plant, shaft, fuel_row, loss_row, 0.0, price, point)[0]
                if coasting:
                    lost[t, c, g, DOWN] = gaps[COAST] * max(idle - even, 0.0)
                    continue
                for way in (UP, DOWN):
                    gap = gaps[way]
                    if gap <= 0.0:
                        continue
                    raised = wanted * make_up / (make_up - gap)
                    row[R_WHEEL_TORQUE] = raised
                    if _shaft(plant, row, g, c, shaft, fuel_row, loss_row) != Reason.FEASIBLE:
                        lost[t, c, g, way] = np.inf
                        continue
                    taken, able = _taken(plant, shaft, fuel_row, loss_row, raised, price, point)
                    more = (make_up - gap) * taken + gap * idle - make_up * even
                    lost[t, c, g, way] = max(more, 0.0) if able else np.inf


@kernel
def _taken(plant, shaft, fuel_row, loss_row, wheel_torque, price, point):
    """Fuel per second, g/s, the motor helping as little as it can; whether that is admissible."""
    motor = min(max(0.0, shaft[S_LOW]), shaft[S_HIGH])
    able = _point(plant, shaft, fuel_row, loss_row, wheel_torque, motor, True, point)
    return point[P_FUEL_RATE] + price * point[P_BATTERY_POWER], able


@kernel
def _recuperated(plant, shaft, loss_row):
    """Highest power that a braking motor gives into the battery, W; loss is linear in parts."""
    low, high = shaft[S_LOW], min(shaft[S_HIGH], 0.0)
    best = 0.0
    for i in range(plant.loss_torque.size + 2):
        torque = plant.loss_torque[min(i, plant.loss_torque.size - 1)]
        if i >= plant.loss_torque.size:
            torque = low if i == plant.loss_torque.size else high
        if low <= torque <= high:
            loss = _interp(plant.loss_torque, loss_row, torque)
            best = max(best, -(torque * shaft[S_MOTOR] + loss))
    return min(best, -shaft[S_POWER_MIN])
