"""The readable summary of a result: fuel, modes, events and where the energy went."""

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ..base.cautions import CAUTION_LINE
from ..base.units import PERCENT
from ..base.words import cut, fixed
from ..optimum.charge_balance import verdict
from ..physics.modes import Mode
from .emissions import emission_rows

if TYPE_CHECKING:
    from ..optimum.result import Result

HARD_SPACE = "\u00a0"  # at which no line ends
BAR = 40  # characters for 100 %
ENERGY_IN = {"fuel": ("fuel",), "battery": ("stored",)}
ENERGY_OUT = {
    "engine loss": ("engine_loss",),
    "motor loss": ("motor_loss",),
    "battery loss": ("battery_loss",),
    "clutch loss": ("clutch_loss",),
    "gearbox loss": ("gearbox_loss",),
    "engine starts": ("start",),
    "gear shifts": ("shift",),
    "auxiliary load": ("auxiliary",),
    "friction brakes": ("brake",),
    "rolling resistance": ("rolling",),
    "air drag": ("drag",),
    "grade": ("grade",),
    "inertia": ("inertia",),
    "rotors net of paid": ("shaft_inertia",),
}
"""Rows of the energy table, and the `energy_<name>_kJ` that each adds up."""


def summary(result: "Result") -> str:
    """Describe a result in at most 80 columns of plain text.

    Parameters
    ----------
    result
        From :func:`hybridopt.solve_cycle` or read from its file.

    Returns
    -------
    str
        Lines without a final newline.
    """
    attrs = result.dataset.attrs
    blocks = [_header(attrs), _totals(attrs), _modes(attrs), _energy(result), _footer(attrs)]
    return "\n\n".join("\n".join(lines) for lines in blocks)


def _header(attrs: dict[str, Any]) -> list[str]:
    drive = f"{attrs['distance_km']:.3f} km in {attrs['duration_s']:.0f} s"
    driveline = attrs.get("driveline_title") or attrs["driveline"]
    return [f"Cycle      {cut(attrs['cycle'], 40)}, {drive}", f"Driveline  {cut(driveline, 69)}"]


def _totals(attrs: dict[str, Any]) -> list[str]:
    fuel = (
        f"{fixed(attrs['fuel_g'], 1)} g   {fixed(attrs['fuel_l_per_100km'], 3)} l/100 km   "
        f"{fixed(attrs['co2_g_per_km'], 1)} g CO2/km"
    )
    rows = {"Fuel": fuel}
    events, emitted = attrs["cost_g"] - attrs["fuel_g"], attrs.get("emission_cost_g", 0.0)
    extra = "events and battery wear" if attrs.get("throughput_cost_g") else "events"
    what = "fuel, emissions" if emitted else "fuel"
    driven = "controller" in attrs  # by a rule, which minimises nothing
    rows["Cost with events" if driven else "Cost minimised"] = (
        f"{fixed(attrs['cost_g'], 2)} g   ({what}, and {fixed(events - emitted, 2)} g for {extra})"
    )
    equal = "fuel_equal_g" in attrs
    if equal:
        rows["At equal SoC"] = (
            f"{fixed(attrs['cost_equal_g'], 2)} g   (fuel {fixed(attrs['fuel_equal_g'], 2)} g)"
        )
        rows["Above the optimum"] = (
            f"fuel {fixed(attrs['fuel_above_optimum_percent'], 2)} %, "
            f"cost {fixed(attrs['cost_above_optimum_percent'], 2)} %, at equal SoC"
        )
    if "bound_g" in attrs:
        bound, gap = fixed(attrs["bound_g"], 2), fixed(attrs["gap_percent"], 3)
        no_less = "none costs less at equal SoC" if equal else "no schedule costs less"
        rows["Proved bound"] = f"{bound} g   {no_less}; gap {gap} %"
    if attrs.get("gap_cause"):
        rows["Gap mostly from"] = cut(attrs["gap_cause"], 58)
    if "corridor_width" in attrs:
        width = fixed(attrs["corridor_width"] / PERCENT, 1)
        rows["SoC corridor"] = f"{width} % wide on average, proved to hold the optimum"
    rows |= emission_rows(attrs)
    start, end = (fixed(attrs[name] / PERCENT, 2) for name in ("soc_start", "soc_end"))
    rows["State of charge"] = f"{start} % -> {end} %"
    if "charge_change_Wh" in attrs:
        rows["Charge balance"] = _charge(attrs)
    if "charge_factor_g_per_kWh" in attrs:
        rows["Charge factor"] = _charge_factor(attrs)
    rows["Engine starts"] = _starts(attrs)
    if attrs.get("stops"):
        lost = fixed(attrs["run_down_kJ"], 2)
        rows["Engine stops"] = f"{attrs['stops']}   (kJ each: rotor {lost}, paid in starts)"
    rows["Gear shifts"] = str(attrs["shifts"])
    if "rotor_kept_kJ" in attrs:
        rows["Rotor energy in kJ"] = _rotors(attrs)
    if "oil_start_C" in attrs:
        rows["Warm-up"] = _warm_up(attrs)
    if heat := _heat(attrs):
        rows["Highest heat"] = heat
    if comfort := _comfort(attrs):
        rows["Limits of comfort"] = comfort
    return [f"{name:<20}{text}" for name, text in rows.items()]


def _charge(attrs: dict[str, Any]) -> str:
    """Return the change of charge as a share of the fuel's energy, and what follows from it."""
    share, limit = attrs["charge_balance_percent"], attrs["charge_limit_percent"]
    text = f"{fixed(attrs['charge_change_Wh'], 1)} Wh, {fixed(share, 2)} % of the fuel energy, "
    if share <= limit:
        return f"{text}within the limit of {limit:g} %"
    return f"{text}limit {limit:g} %\n{'':20}{verdict(attrs)}"


def _charge_factor(attrs: dict[str, Any]) -> str:
    """Return the correction factor by least squares beside the bound's multiplier."""
    factor, deviation = attrs["charge_factor_g_per_kWh"], attrs["charge_factor_deviation_g_per_kWh"]
    multiplier = attrs["fuel_per_kWh_g"]
    return (
        f"{fixed(factor, 1)} g/kWh by least squares (deviation {fixed(deviation, 1)}), "
        f"the multiplier is {fixed(multiplier, 1)}"
    )


def _rotors(attrs: dict[str, Any]) -> str:
    """Return what rotors gain and lose between steps, and what is left in them."""
    names = ("shift_loss", "stop_loss", "clutch_loss", "unpaid", "kept")
    shift, stop, clutch, unpaid, kept = (fixed(attrs[f"rotor_{name}_kJ"], 1) for name in names)
    paid = fixed(attrs["start_rotor_kJ"] + attrs["rotor_shift_paid_kJ"], 1)
    return (
        f"lost in shifts {shift}, stops {stop}, clutch {clutch};\n"
        f"{'':20}paid in starts and shifts {paid}, unpaid {unpaid}, kept {kept}"
    )


def _warm_up(attrs: dict[str, Any]) -> str:
    """Return how the oil warms up, and what heats the cabin."""
    ends = " -> ".join(f"{fixed(attrs[name], 0)} C" for name in ("oil_start_C", "oil_end_C"))
    text = f"oil {ends}, nine tenths of the way to warm after {fixed(attrs['oil_warm_s'], 0)} s"
    if attrs["oil_warm_s"] >= attrs["duration_s"]:
        text = f"oil {ends}, never nine tenths of the way to warm"
    if attrs["heater_kJ"] or attrs["cabin_missing_kJ"]:
        text += f"\n{'':20}cabin: {fixed(attrs['heater_kJ'], 0)} kJ by battery, "
        text += f"{fixed(attrs['cabin_missing_kJ'], 0)} kJ missing"
    return text


def _heat(attrs: dict[str, Any]) -> str:
    """Return the peaks of what lags behind its load, and for how long limits were passed."""
    peaks = {
        "clutch": ("clutch_peak_C", 1.0, "C"),
        "motor": ("motor_budget_peak", PERCENT, "%"),
        "battery": ("battery_budget_peak", PERCENT, "%"),
    }
    parts = []
    for name, (key, factor, unit) in peaks.items():
        if key in attrs:
            over = attrs[f"{name}_over_s"]
            late = f" ({fixed(over, 0)} s above limit)" if over > 0.0 else ""
            parts.append(f"{name} {fixed(attrs[key] / factor, 0)} {unit}{late}")
    return ", ".join(parts)


COMFORT_WORDS = {
    "lugging_limit_s": "lugging line met",
    "torque_rise_limit_s": "torque rise met",
    "torque_fall_limit_s": "torque fall met",
    "no_start_s": "no start",
    "no_stop_s": "no stop",
}
"""Limits of comfort that bear on a drive, by names of totals."""


def _comfort(attrs: dict[str, Any]) -> str:
    """Return for how long limits of comfort were met or passed, as many to a line as fit."""
    parts = []
    for name, text in COMFORT_WORDS.items():
        if name in attrs:
            passed = (
                attrs.get(name.replace("_limit_", "_passed_"), 0.0) if "torque" in name else 0.0
            )
            late = f" ({fixed(passed, 0)} s passed)" if passed > 0.0 else ""
            parts.append(f"{text} {fixed(attrs[name], 0)} s{late}".replace(" ", HARD_SPACE))
    lines = textwrap.wrap("; ".join(parts), 60)
    return f"\n{'':20}".join(lines).replace(HARD_SPACE, " ")


def _starts(attrs: dict[str, Any]) -> str:
    """Return the number of starts and, where the result says it, what takes their energy."""
    names = ("rotor", "slip", "friction", "conversion")
    energy = [float(attrs.get(f"start_{name}_kJ", 0.0)) for name in names]
    if not sum(energy):
        return str(attrs["starts"])
    rotor, slip, friction, loss = (fixed(part / sum(energy) / PERCENT, 0) for part in energy)
    return (
        f"{attrs['starts']}   (energy in %: rotor {rotor}, slip {slip}, friction {friction}, "
        f"loss {loss})"
    )


def _modes(attrs: dict[str, Any]) -> list[str]:
    lines = ["Mode                share of time"]
    for mode in Mode:
        share = attrs[f"share_{mode.name.lower()}"]
        bar = "#" * (round(BAR * share) or (share > 0.0))
        lines.append(f"{mode.text:<20}{fixed(share / PERCENT, 1):>6} %  {bar}".rstrip())
    return lines


def _energy(result: "Result") -> list[str]:
    into, out = (energy_table(result, rows) for rows in (ENERGY_IN, ENERGY_OUT))
    rows = [("Energy in", "kJ", "% of total"), *into, ("Energy out", "", ""), *out]
    return [f"{name:<20}{energy:>12}{share:>14}".rstrip() for name, energy, share in rows]


def energy_table(
    result: "Result", rows: Mapping[str, tuple[str, ...]]
) -> list[tuple[str, str, str]]:
    """Return name, kJ and % of what all sources gave, for :data:`ENERGY_IN` or `ENERGY_OUT`."""

    def total(names: tuple[str, ...]) -> float:
        return sum(float(result.dataset.attrs[f"energy_{name}_kJ"]) for name in names)

    drawn = sum(total(names) for names in ENERGY_IN.values())
    energies = {name: total(names) for name, names in rows.items()}
    return [
        (name, fixed(energy, 1), fixed(100.0 * energy / drawn, 1) if drawn > 0.0 else "-")
        for name, energy in energies.items()
    ]


def _footer(attrs: dict[str, Any]) -> list[str]:
    return [f"Solved in {attrs['solve_s']:.2f} s", CAUTION_LINE]
