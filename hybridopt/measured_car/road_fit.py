"""Mass, rolling resistance and drag from the power balance in a closed gear and from coasting.

Torque at the gearbox input, brought to the road, is what the road and the inertias take
(`physics/demand.py`, `physics/gearbox.py`):

    k (T_e + T_m) = (m + J_w / r2 + k2 J) a + m g (sin θ + c_r cos θ) + 1/2 ρ c_d A u |u|
                    + k |T| (1 - η) + k T_d

Both sides go through the same smoothing, so the balance still holds. Efficiency and drag of the
gearbox and the inertias of rotors and wheels cannot be told beside the rest; they stay at the
base's figures, and how badly those are known (`DOUBT`) goes into the intervals. Torques may come
late: the derivative of each is a regressor of its own, and they are moved until it tells nothing.
The mean grade of a log and the wind are not known either (`SLOPE`, `WIND`). Acceleration is told by
the shaft; that of the speed channel is the second sensor that undoes the pull of its noise. The
grade has no second sensor; what its noise pulls the mass down by is in the interval (`PULL`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import binary_erosion

from ..base.units import GRAVITY
from ..inputs.driveline import Driveline
from .gear_fit import Gears
from .parameters import Estimate
from .regression import Fit
from .rows import Rows, fit_made
from .signals import Signals

DOUBT = {
    "gearbox loss": (1.0, 0.25),
    "gearbox drag": (1.0, 0.25),
    "rotor inertia": (1.0, 0.2),
    "wheel inertia": (1.0, 0.2),
}
"""Mean and standard deviation of the factors on the base's figures (assumed)."""
SLOPE, WIND = 3e-4, 0.3
"""Rise over run by which the mean grade of a log may be wrong, and m/s of wind along the road that
nobody measured: standard deviations (assumed)."""
PULL = 0.015
"""Share of the mass that noise of the grade may hide (by trial: 1 % at noise of 0.15 %)."""
LEAST_SPEED = 2.0  # m/s
WIDTH = 1.0  # s, smoothing of forces and acceleration
ROUNDS = 5
MOST_DELAY = 1.0  # s
EDGE = 0.3  # s left out at the ends of a stretch


@dataclass(frozen=True, eq=False)
class Road:
    """What the balance tells: estimates, or why there are none.

    Attributes
    ----------
    estimates : of mass, rolling resistance and drag area
    reason : why there are none
    delays, unsure : s, of engine and motor torque behind the shaft, and standard errors, by number
        of the recording
    """

    estimates: tuple[Estimate, ...]
    reason: str = ""
    delays: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    unsure: Mapping[int, tuple[float, float]] = field(default_factory=dict)


def fit_road(signals: Sequence[Signals], gears: Gears, base: Driveline) -> Road:
    """Fit mass, rolling resistance and drag area."""
    if not gears.known:
        return Road((), "needs the gear and the speed of the gearbox input")
    if not any(one.has("engine_torque", "motor_torque") for one in signals):
        return Road((), "needs the torque of engine and motor")
    doubt = dict(DOUBT)
    for one in signals:
        doubt |= {f"slope {one.number}": (0.0, SLOPE), f"wind {one.number}": (0.0, WIND)}
    found, fitted = None, None
    delays = {one.number: (0.0, 0.0) for one in signals}
    for _ in range(ROUNDS):  # the loss of the gearbox goes with the force as fitted before
        made = [(one, rows) for one in signals if (rows := _rows(one, gears, base, delays, fitted))]
        found = fit_made(made, doubt, least=60.0, needed=("mass", "rolling", "drag area"))
        if found is None:
            break
        fitted = {name: found.fit[name] for name in found.fit.names}
        delays = {number: _later(late, number, fitted) for number, late in delays.items()}
    if found is None:
        return Road((), "needs a minute of driving in a closed gear without brakes")
    fit, seconds = found
    note = "force balance in a closed gear and coasting, brakes released"

    def estimate(key: str, was: float, value: float, half: float) -> Estimate:
        return Estimate.around(key, was, value, half, seconds, note)

    vehicle = base.vehicle
    rolling = fit.ratio("rolling", "mass")
    trailer = vehicle.trailer_mass
    wide = float(np.hypot(fit.half_width("mass"), PULL * fit["mass"]))
    return Road(
        (
            estimate("vehicle.mass_kg", vehicle.mass, fit["mass"] - trailer, wide),
            estimate("vehicle.rolling_resistance", vehicle.rolling_resistance, *rolling),
            estimate(
                "vehicle.drag_area_m2",
                vehicle.drag_area,
                fit["drag area"] - vehicle.trailer_drag_area,
                fit.half_width("drag area"),
            ),
        ),
        "",
        delays,
        {number: _unsure(fit, number) for number in delays},
    )


def _unsure(fit: Fit, number: int) -> tuple[float, float]:
    """Return the standard errors of the delays of both torques, s; infinite where not fitted."""
    names = [f"{name} delay {number}" for name in ("engine", "motor")]
    engine, motor = (fit.error(name) if name in fit.names else np.inf for name in names)
    return engine, motor


def _later(
    late: tuple[float, float], number: int, fitted: Mapping[str, float]
) -> tuple[float, float]:
    """Return the delays of both torques with what the last fit adds to them."""
    more = (fitted.get(f"{name} delay {number}", 0.0) for name in ("engine", "motor"))
    was, new = late, tuple(more)
    limit = MOST_DELAY
    return (
        float(np.clip(was[0] + new[0], -limit, limit)),
        float(np.clip(was[1] + new[1], -limit, limit)),
    )


def _rows(
    one: Signals,
    gears: Gears,
    base: Driveline,
    delays: Mapping[int, tuple[float, float]],
    fitted: Mapping[str, float] | None,
) -> Rows | None:
    if not one.has("engine_torque", "motor_torque", "gear"):
        return None
    vehicle, box = base.vehicle, base.gearbox
    speed, ratio = gears.fine_speed(one), np.nan_to_num(gears.at(one.gear))
    late = delays[one.number]
    engine = ratio * one.timely("engine_torque", late[0])
    motor = ratio * one.timely("motor_torque", late[1])
    force = engine + motor
    known = one.measured("engine_torque", "motor_torque", "speed")
    where = known & one.quiet & one.locked & (ratio > 0.0) & (speed > LEAST_SPEED)
    where &= np.abs(one.input_speed - ratio * speed) < 1e-6 * ratio * speed
    where &= ~_may_brake(one, force, float(base.motor.peak_torque.max()))
    where = binary_erosion(where, iterations=max(round(EDGE / one.dt), 1))
    gear = np.clip(one.gear, 1, box.gears) - 1
    loss = 1.0 - np.array(box.total_efficiencies)[gear]
    rotor = base.motor.inertia + base.engine.inertia * one.on

    def smooth(values: np.ndarray) -> np.ndarray:
        return one.smooth(values, where, WIDTH)

    a = smooth(np.gradient(speed, one.dt))
    angle, air = np.arctan(one.grade), speed + vehicle.headwind
    pushed = smooth(force)
    shares = {
        "mass": np.ones(speed.size),
        "rotor inertia": smooth(ratio**2 * rotor),
        "wheel inertia": np.full(speed.size, vehicle.wheel_inertia / vehicle.wheel_radius**2),
    }
    columns = {
        "mass": a + GRAVITY * smooth(np.sin(angle)),
        "rolling": GRAVITY * smooth(np.cos(angle)),
        "drag area": 0.5 * vehicle.air_density * smooth(air * np.abs(air)),
        "gearbox loss": smooth(loss) * np.abs(pushed),
        "gearbox drag": smooth(ratio * np.array(box.drag_torques)[gear]),
        "rotor inertia": shares["rotor inertia"] * a,
        "wheel inertia": shares["wheel inertia"] * a,
        f"slope {one.number}": np.full(speed.size, vehicle.mass * GRAVITY),
        f"wind {one.number}": vehicle.air_density * vehicle.drag_area * smooth(air),
        f"engine delay {one.number}": -one.slope(smooth(engine)),
        f"motor delay {one.number}": -one.slope(smooth(motor)),
    }
    change = smooth(np.gradient(gears.logged_speed(one), one.dt)) - a
    instruments = {name: (a + change) * share for name, share in shares.items()}
    if fitted is not None:
        second = columns | instruments
        force = np.abs(sum(fitted.get(name, 0.0) * column for name, column in second.items()))
        columns["gearbox loss"] = smooth(loss) * force
    return Rows(columns, pushed, where, instruments)


def _may_brake(one: Signals, force: np.ndarray, peak: float) -> np.ndarray:
    """Return where friction brakes may act: by their channel, or beside a motor that brakes."""
    whole = np.ones(force.size, dtype=bool)
    pushed, motor = one.smooth(force, whole), one.smooth(one["motor_torque"], whole)
    recuperates = (pushed < 0.0) & (motor < -0.03 * peak)
    if one.braking is None:
        return np.asarray(pushed < 0.0)
    return np.asarray(one.braking | recuperates)
