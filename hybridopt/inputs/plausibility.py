"""What physics forbids a driveline, and what no real machine has: limits with their sources.

The first is refused, the second is a warning. Bench maps are judged by the same limits.

References
----------
Heywood, *Internal Combustion Engine Fundamentals* (best brake efficiencies), from memory.
"""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np

from ..base.units import G_PER_KWH, KW, PERCENT, RPM
from .comfort import Comfort
from .coverage import Rules, judged
from .driveline import Battery, Engine, Fuel, Motor, Vehicle
from .map_quantities import KG_PER_H
from .maps import curve_values, map_values


class Span(NamedTuple):
    """Lowest and highest figure that is plausible, SI."""

    low: float
    high: float

    def holds(self, value: float) -> bool:
        """Return whether a figure is plausible."""
        return self.low <= value <= self.high

    def text(self, factor: float = 1.0) -> str:
        """Return the span in words, divided by a factor."""
        return f"{self.low / factor:.3g} to {self.high / factor:.3g}"


ENGINE_BEST = Span(0.15, 0.50)
"""Best efficiency of an engine: small two-strokes, and the largest slow diesels (Heywood, from
memory). Cars have 0.3 to 0.43."""
MOTOR_BEST = Span(0.60, 0.99)
"""Best efficiency of motor and inverter together (common practice, no source)."""
USUAL_HEATING_VALUE = 42_700.0
"""J/g, between petrol and diesel, where the fuel is not known (common practice, no source)."""
CO2_PER_FUEL = Span(1.3, 44.01 / 12.011)
"""g of CO2 per g of fuel: methanol has 44.01 / 32.04, pure carbon the most there can be (masses of
the atoms; closed form)."""
FALL = 0.02
"""Share of the largest fuel rate by which fuel may fall with torque, as noise of a bench (common
practice, no source)."""
DRAG_AREA = Span(0.1, 15.0)
"""m2, record cars and road trains (common practice, no source)."""
ROLLING = Span(0.002, 0.04)
"""Coefficient of rolling resistance, on a road (common practice, no source)."""
ENERGY_PER_MASS = 0.1 * 3.6e6
"""J of battery per kg of vehicle, twice that of electric cars (common practice, no source)."""
VOLTAGE_DROP = Span(1e-4, 0.25)
"""R P / U^2 at the power limit of a battery. Above a quarter no current gives that power (closed
form: P is at most U^2 / 4 R); the lower limit is common practice, no source."""

COLUMNS = "fuel_g_per_s, fuel_kg_per_h, bsfc_g_per_kWh or efficiency_percent"


class BestPoint(NamedTuple):
    """Where an engine is at its best: efficiency, and specific consumption in g/J."""

    efficiency: float
    consumption: float
    speed: float
    torque: float

    @property
    def place(self) -> str:
        """The point in words."""
        return f"{self.speed / RPM:.0f} rpm, {self.torque:.0f} Nm"


def best_point(engine: Engine, heating_value: float) -> BestPoint:
    """Return the point of the highest efficiency that an engine reaches.

    Parameters
    ----------
    engine
        With a fuel map that covers the speeds used and the full load.
    heating_value
        Lower heating value of the fuel, J/g.

    Returns
    -------
    BestPoint
        Of the nodes of the map below full load, and of the full load at the speeds of the map;
        the efficiency is infinite where power comes from no fuel.
    """
    fuel_map = engine.fuel_map.transpose("speed", "torque")
    nodes = fuel_map["speed"].values
    inner = nodes[(nodes > engine.idle_speed) & (nodes < engine.max_speed)]
    speed = np.concatenate(([engine.idle_speed], inner, [engine.max_speed]))
    full = curve_values(engine.full_load, speed)
    torque = np.column_stack((np.tile(fuel_map["torque"].values, (speed.size, 1)), full))
    rate = map_values(fuel_map, speed[:, None], np.minimum(torque, full[:, None]))
    power = speed[:, None] * torque
    reached = (torque <= full[:, None]) & (power > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(reached, power / (rate * heating_value), 0.0)
    i, j = np.unravel_index(int(np.nanargmax(share)), share.shape)
    best = float(share[i, j])
    consumption = 1.0 / (best * heating_value) if best > 0.0 else np.inf
    return BestPoint(best, consumption, float(speed[i]), float(torque[i, j]))


def consumption_span(heating_value: float | None) -> Span:
    """Return the plausible lowest specific consumptions, g/J, of a fuel's heating value, J/g."""
    heat = heating_value or USUAL_HEATING_VALUE
    return Span(1.0 / (ENGINE_BEST.high * heat), 1.0 / (ENGINE_BEST.low * heat))


def deepest_fall(engine: Engine) -> tuple[float, float, float]:
    """Return by which share of its largest rate fuel falls with torque, and where at most.

    Returns
    -------
    share, speed, torque
        0 where fuel rises up to the full load; rad/s and N m.
    """
    fuel_map = engine.fuel_map.transpose("speed", "torque")
    speed, torque, rate = fuel_map["speed"].values, fuel_map["torque"].values, fuel_map.values
    below = torque[None, :] <= curve_values(engine.full_load, speed)[:, None]
    fall = np.where(below, np.maximum.accumulate(rate, axis=1) - rate, 0.0)
    i, j = np.unravel_index(int(np.argmax(fall)), fall.shape)
    share = float(fall[i, j]) / max(float(rate.max()), 1e-300)
    return share, float(speed[i]), float(torque[j])


def impossible(parts: Mapping[str, Any]) -> Iterator[str]:
    """Yield what physics forbids in the parts of a driveline, by table, in one sentence each."""
    yield from judged(parts, FORBIDDEN)


def unusual(parts: Mapping[str, Any]) -> Iterator[str]:
    """Yield what no real driveline has, by table, in one sentence each, with the figure."""
    yield from judged(parts, UNUSUAL)


# --- forbidden ---


def _energy_from_nothing(engine: Engine, fuel: Fuel) -> Iterator[str]:
    """First law: no more shaft power than the fuel has heating power."""
    if not _covered(engine):
        return
    best = best_point(engine, fuel.heating_value)
    if best.efficiency > 1.0:
        power = f"{best.speed * best.torque / KW:.1f} kW"
        share = f"{best.efficiency / PERCENT:.0f} % of the fuel's heating power"
        given = share if np.isfinite(best.efficiency) else f"{power} from no fuel"
        yield (
            f"[engine] fuel_map: gives {given} at {best.place}; physics allows up to 100 %, so "
            f"check the unit of the column ({COLUMNS}) and heating_value_MJ_per_kg"
        )


def _carbon_from_nothing(fuel: Fuel) -> Iterator[str]:
    share = fuel.co2 / fuel.density
    if share > CO2_PER_FUEL.high * (1.0 + 1e-9):
        yield (
            f"[fuel] co2_g_per_l: {fuel.co2:g} g from a litre of {fuel.density:g} g are "
            f"{share:.2f} g per g of fuel; carbon gives {CO2_PER_FUEL.high:.2f}, so check "
            "co2_g_per_l and density_g_per_l"
        )


# --- unusual ---


def _engine_best(engine: Engine, fuel: Fuel) -> Iterator[str]:
    best = best_point(engine, fuel.heating_value)
    if ENGINE_BEST.holds(best.efficiency):
        return
    yield (
        f"[engine] fuel_map: the best efficiency is {best.efficiency / PERCENT:.3g} % "
        f"({best.consumption / G_PER_KWH:.0f} g/kWh at {best.place}); engines have "
        f"{ENGINE_BEST.text(PERCENT)} %, so check the unit of the column ({COLUMNS})"
        f"{_likely_column(engine, best)}"
    )


def _likely_column(engine: Engine, best: BestPoint) -> str:
    """Return the column that values named fuel_g_per_s seem to belong to, as a part of a hint."""
    if ENGINE_BEST.holds(best.efficiency / KG_PER_H):
        return "; as fuel_kg_per_h they would be usual"
    heavy = float(engine.fuel_map.max())
    least = float(engine.fuel_map.where(engine.fuel_map > 0.0).min())
    if consumption_span(None).holds(least * G_PER_KWH) and heavy > 100.0:
        return "; they look like bsfc_g_per_kWh"
    return ""


def _fuel_over_torque(engine: Engine) -> Iterator[str]:
    share, speed, torque = deepest_fall(engine)
    if share > FALL:
        yield (
            f"[engine] fuel_map: fuel falls with torque by {share / PERCENT:.0f} % of the largest "
            f"rate up to {speed / RPM:.0f} rpm, {torque:.0f} Nm; it rises in any engine, so check "
            "the torque axis and the unit of the column"
        )
    idle = engine.fuel_map.isel(torque=0)
    if float(idle.min()) <= 0.0:
        at = float(idle["speed"].values[int(np.argmin(idle.values))])
        yield (
            f"[engine] fuel_map: 0 g/s at 0 Nm and {at / RPM:.0f} rpm; an engine that runs takes "
            "fuel for its friction, so check the row"
        )


def _motor_best(motor: Motor) -> Iterator[str]:
    loss = motor.loss_map.transpose("speed", "torque")
    speed, torque = np.meshgrid(loss["speed"].values, loss["torque"].values, indexing="ij")
    power = speed * torque
    reached = (power > 0.0) & (torque <= curve_values(motor.peak_torque, speed))
    if not reached.any():
        return
    best = float((power / (power + loss.values))[reached].max())
    if not MOTOR_BEST.holds(best):
        yield (
            f"[motor] loss_map: the best efficiency is {best / PERCENT:.3f} %; motor and "
            f"inverter have {MOTOR_BEST.text(PERCENT)} %, so check the unit of the column "
            "(loss_W, loss_kW, electric_power_kW or efficiency_percent)"
        )


def _battery_resistance(battery: Battery) -> Iterator[str]:
    soc = battery.table["soc"].values
    inside = (soc >= battery.soc_min) & (soc <= battery.soc_max)
    inside = inside if inside.any() else np.ones_like(inside)
    rows = battery.columns
    for way in ("discharge", "charge"):
        ohm, power = rows[f"resistance_{way}"], rows[f"power_{way}_max"]
        drop = np.where(inside, ohm * power / rows["open_circuit_voltage"] ** 2, -1.0)
        at = int(np.argmax(drop))
        if power[at] <= 0.0 or VOLTAGE_DROP.holds(float(drop[at])):
            continue
        share = drop[at] / PERCENT
        most = 0.25 / drop[at] * power[at] / KW if drop[at] > 0.0 else np.inf
        effect = f"lets pass {_rounded(most)} kW at most"
        if drop[at] < VOLTAGE_DROP.low:
            effect = f"takes {share:.2g} % of the voltage, less than any battery"
        yield (
            f"[battery] table: resistance_{way}_ohm {ohm[at]:.3g} at {soc[at] / PERCENT:.0f} % SoC "
            f"{effect}, where the limit is {_rounded(power[at] / KW)} kW; check that the "
            "resistance is in ohm (not milliohm) and the power in kW"
        )


def _rounded(value: float) -> str:
    """Return three digits of a number, without an exponent where it is not too long."""
    return f"{float(f'{value:.3g}'):.12g}"


def _battery_energy(battery: Battery, vehicle: Vehicle) -> Iterator[str]:
    share = battery.energy / vehicle.mass
    if share > ENERGY_PER_MASS:
        yield (
            f"[battery] capacity_Ah: {battery.capacity / 3600:g} Ah store "
            f"{battery.energy / 3.6e6:.0f} kWh, {share / 3.6e6:.2f} kWh per kg of vehicle; up to "
            f"{ENERGY_PER_MASS / 3.6e6:g} is plausible, so check the unit"
        )


def _resistances(vehicle: Vehicle) -> Iterator[str]:
    if not DRAG_AREA.holds(vehicle.drag_area):
        yield (
            f"[vehicle] drag_area_m2: is {vehicle.drag_area:g}; vehicles have {DRAG_AREA.text()} "
            "m2, drag coefficient times frontal area"
        )
    if not ROLLING.holds(vehicle.rolling_resistance):
        yield (
            f"[vehicle] rolling_resistance: is {vehicle.rolling_resistance:g}; tyres on a road "
            f"have {ROLLING.text()}, force over weight"
        )


def _carbon(fuel: Fuel) -> Iterator[str]:
    share = fuel.co2 / fuel.density
    if 0.0 < share < CO2_PER_FUEL.low:
        yield (
            f"[fuel] co2_g_per_l: {share:.3g} g of CO2 per g of fuel; fuels have "
            f"{CO2_PER_FUEL.text()}, those without carbon 0, so check the units"
        )


def _lugging(comfort: Comfort, engine: Engine) -> Iterator[str]:
    line = comfort.lugging_torque
    if line is None:
        return
    speed = np.union1d(line["speed"].values, engine.full_load["speed"].values)
    speed = np.clip(speed, engine.idle_speed, min(line["speed"].values[-1], engine.max_speed))
    if (curve_values(line, speed) >= curve_values(engine.full_load, speed)).all():
        yield (
            "[comfort] lugging_torque: lies nowhere below full load, so that it limits nothing; "
            "check the units, or leave it out"
        )


def _covered(engine: Engine) -> bool:
    """Return whether the maps cover what is used, which is a fault of its own."""
    speed, torque = engine.fuel_map["speed"].values, engine.fuel_map["torque"].values
    slack = 1.0 + 1e-9
    return bool(
        speed[0] <= engine.idle_speed * slack
        and speed[-1] * slack >= engine.max_speed > engine.idle_speed
        and torque[0] == 0.0
        and torque[-1] * slack >= float(engine.full_load.max()) > 0.0
        and float(engine.fuel_map.min()) >= 0.0
    )


FORBIDDEN: Rules = ((_energy_from_nothing, "engine", "fuel"), (_carbon_from_nothing, "fuel"))
UNUSUAL: Rules = (
    (_engine_best, "engine", "fuel"),
    (_fuel_over_torque, "engine"),
    (_motor_best, "motor"),
    (_lugging, "comfort", "engine"),
    (_battery_resistance, "battery"),
    (_battery_energy, "battery", "vehicle"),
    (_resistances, "vehicle"),
    (_carbon, "fuel"),
)
