"""Kernels of one motor torque in a step: engine torque, fuel, losses, battery power and brakes.

Operating points, replay and controllers all call the kernels here, so that there is one physics:
what is asked of a step is a `row`, one gear and engine class reduce it to a `shaft` (`shaft.py`),
and a motor torque on that is a `point`. Their entries are listed in `entries.py`.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel
from .codes import OPEN, OPENS, REFUSED, Reason
from .entries import (
    P_AUXILIARY,
    P_BATTERY_POWER,
    P_BRAKE_TORQUE,
    P_CLUTCH,
    P_ENGINE_SPEED,
    P_ENGINE_TORQUE,
    P_FUEL_RATE,
    P_GEARBOX_LOSS,
    P_MOTOR_LOSS,
    P_MOTOR_SPEED,
    P_MOTOR_TORQUE,
    P_SHAFT_INERTIA,
    P_SLIP_LOSS,
    P_START_POWER,
    R_BATTERY_SHARE,
    R_WHEEL_TORQUE,
    S_AUXILIARY,
    S_CAPACITY,
    S_CLUTCH,
    S_COAST,
    S_DRAG,
    S_EFFICIENCY,
    S_ENGINE,
    S_FULL,
    S_GEAR_DRAG,
    S_HIGH,
    S_INERTIA,
    S_INPUT,
    S_LOW,
    S_MOTOR,
    S_ON,
    S_OVERRUN,
    S_POWER_MAX,
    S_POWER_MIN,
    S_RATIO,
    S_SIZE,
    S_START,
    S_TOTAL,
    S_WORK,
)
from .gearbox import _passed_on
from .interpolation import _interp
from .shaft import _shaft


@kernel(inline="always")
def _electric_power(loss_torque, loss_row, speed, torque):
    """Electric power that motor and inverter take, W."""
    return torque * speed + _interp(loss_torque, loss_row, torque)


@kernel
def _fuel_rate(fuel_torque, fuel_row, work, overrun, torque):
    """Fuel rate (g/s): zero at overrun torque, linear up to 0 N m, then the map.

    Torque, overrun torque and rate are means of the step; the engine works only for a share
    `work` of it.
    """
    if work <= 0.0 or torque <= overrun + 1e-9 and torque < 0.0:
        return 0.0
    if torque >= 0.0:
        return work * _interp(fuel_torque, fuel_row, torque / work)
    return work * fuel_row[0] * (1.0 - torque / overrun)


@kernel
def _fuel_rates(fuel_torque, fuel_row, overrun, torque, out):
    """Fill the fuel rates of torques of an engine that works for the whole step."""
    for i in range(torque.size):
        out[i] = _fuel_rate(fuel_torque, fuel_row, 1.0, overrun, torque[i])


@kernel
def _point(plant, shaft, fuel_row, loss_row, wheel_torque, motor_torque, powered, point):
    """Fill `point` for a motor torque on a shaft; return whether it is admissible."""
    return Reason.FEASIBLE == _torque_point(
        plant.fuel_torque,
        plant.loss_torque,
        shaft,
        fuel_row,
        loss_row,
        wheel_torque,
        motor_torque,
        powered,
        point,
    )


@kernel(inline="always")
def _torque_point(
    fuel_torque, loss_torque, shaft, fuel_row, loss_row, wheel_torque, motor_torque, powered, point
):
    """As `_point`, returning the reason.

    Inner loops call it: passing the whole plant would count references each time.
    """
    if shaft[S_COAST] == REFUSED and (not powered or abs(motor_torque) <= 1e-9):
        return Reason.NO_COASTING
    point[P_FUEL_RATE], point[P_START_POWER] = 0.0, shaft[S_START]
    point[P_AUXILIARY] = shaft[S_AUXILIARY]
    opens = shaft[S_COAST] == OPENS and not powered
    tolerance = 1e-9 * (1.0 + abs(wheel_torque))
    driveline, loss, motor_power, engine_torque = 0.0, 0.0, 0.0, 0.0
    if opens:
        motor_torque = 0.0
        for i in (P_ENGINE_SPEED, P_MOTOR_SPEED, P_SLIP_LOSS, P_GEARBOX_LOSS, P_SHAFT_INERTIA):
            point[i] = 0.0
    else:
        if powered:
            loss = _interp(loss_torque, loss_row, motor_torque)
            motor_power = motor_torque * shaft[S_MOTOR] + loss
        else:
            motor_torque = -shaft[S_DRAG] if shaft[S_MOTOR] > 0.0 else 0.0
            loss = -motor_torque * shaft[S_MOTOR]
        engine_torque = min(max(shaft[S_TOTAL] - motor_torque, shaft[S_OVERRUN]), shaft[S_FULL])
        point[P_ENGINE_SPEED], point[P_MOTOR_SPEED] = shaft[S_ENGINE], shaft[S_MOTOR]
        if shaft[S_ON] > 0.0:
            point[P_FUEL_RATE] = _fuel_rate(
                fuel_torque, fuel_row, shaft[S_WORK], shaft[S_OVERRUN], engine_torque
            )
        driveline = _wheel_side(shaft, engine_torque + motor_torque, point)
    point[P_ENGINE_TORQUE], point[P_MOTOR_TORQUE] = engine_torque, motor_torque
    point[P_CLUTCH], point[P_MOTOR_LOSS] = (OPEN if opens else shaft[S_CLUTCH]), loss
    power = motor_power + shaft[S_START] + shaft[S_AUXILIARY]
    point[P_BATTERY_POWER] = power
    brake = wheel_torque - driveline
    point[P_BRAKE_TORQUE] = brake if brake < -tolerance else 0.0
    misfit = Reason.MOTOR_TORQUE if powered else Reason.UNPOWERED_MISFIT
    if brake > tolerance or wheel_torque >= 0.0 and brake < -tolerance:
        return misfit
    if not opens and not _is_held(shaft, engine_torque + motor_torque):
        return Reason.CLUTCH_PRESSURE if shaft[S_CAPACITY] < np.inf else misfit
    slack = 1e-9 * (shaft[S_POWER_MAX] - shaft[S_POWER_MIN])
    if power > shaft[S_POWER_MAX] + slack or power < shaft[S_POWER_MIN] - slack:
        return Reason.BATTERY_POWER
    return Reason.FEASIBLE


@kernel
def _is_held(shaft, torque):
    """Whether the launch clutch carries the torque of a shaft; open, it carries none."""
    if shaft[S_CLUTCH] == OPEN:
        return abs(torque) <= 1e-9 * (1.0 + abs(shaft[S_OVERRUN]))
    return abs(torque - shaft[S_INERTIA]) <= shaft[S_CAPACITY] + 1e-9


@kernel
def _wheel_side(shaft, torque, point):
    """Return the driveline's torque at the wheels; fill clutch and gearbox loss and inertia."""
    point[P_SLIP_LOSS], point[P_GEARBOX_LOSS], point[P_SHAFT_INERTIA] = 0.0, 0.0, 0.0
    if shaft[S_CLUTCH] == OPEN:
        return 0.0
    speed = shaft[S_INPUT]
    net = torque - shaft[S_INERTIA] - shaft[S_GEAR_DRAG]
    share = _passed_on(shaft[S_EFFICIENCY], net)
    point[P_SLIP_LOSS] = torque * (shaft[S_MOTOR] - speed)
    point[P_SHAFT_INERTIA] = shaft[S_INERTIA] * speed
    point[P_GEARBOX_LOSS] = shaft[S_GEAR_DRAG] * speed
    point[P_GEARBOX_LOSS] += net * speed * (1.0 - share)
    return net * shaft[S_RATIO] * share


@kernel(nogil=True)
def _evaluate(plant, rows, gear, engine, motor_torque, powered, out, reason):
    """Points of a given schedule, one row per step.

    A power beyond the widest limits is left to the battery's own step, which knows the SoC.
    """
    shaft = np.empty(S_SIZE)
    fuel_row, loss_row = np.empty(plant.fuel_torque.size), np.empty(plant.loss_torque.size)
    for t in range(rows.shape[0]):
        row = rows[t]
        reason[t] = _shaft(plant, row, gear[t], engine[t], shaft, fuel_row, loss_row)
        if reason[t] != Reason.FEASIBLE:
            continue
        slack = 1e-9 * (1.0 + abs(shaft[S_LOW]) + abs(shaft[S_HIGH]))
        inside = shaft[S_LOW] - slack <= motor_torque[t] <= shaft[S_HIGH] + slack
        if powered[t] and not inside:
            reason[t] = Reason.MOTOR_TORQUE
            continue
        why = _torque_point(
            plant.fuel_torque,
            plant.loss_torque,
            shaft,
            fuel_row,
            loss_row,
            row[R_WHEEL_TORQUE],
            motor_torque[t],
            powered[t],
            out[t],
        )
        if why != Reason.BATTERY_POWER or row[R_BATTERY_SHARE] < 1.0:
            reason[t] = why
