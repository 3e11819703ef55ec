"""The readable summary of a result: fuel, modes, events and where the energy went."""

from typing import TYPE_CHECKING, Any

from ..base.cautions import CAUTION_LINE
from ..base.units import PERCENT

if TYPE_CHECKING:
    from ..optimum.result import Result

BAR = 40  # characters for 100 %
SOURCES = {"fuel": ("fuel",), "battery": ("stored",)}
SINKS = {
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
    "inertia": ("inertia", "shaft_inertia"),
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
    blocks = [_header(attrs), _totals(attrs), _modes(attrs), _energy(attrs), _footer(attrs)]
    return "\n\n".join("\n".join(lines) for lines in blocks)


def _header(attrs: dict[str, Any]) -> list[str]:
    drive = f"{attrs['distance_km']:.3f} km in {attrs['duration_s']:.0f} s"
    driveline = attrs.get("driveline_title") or attrs["driveline"]
    return [
        f"Cycle      {_line(attrs['cycle'], 40)}, {drive}",
        f"Driveline  {_line(driveline, 69)}",
    ]


def _totals(attrs: dict[str, Any]) -> list[str]:
    fuel = (
        f"{_figure(attrs['fuel_g'], 1)} g   {_figure(attrs['fuel_l_per_100km'], 3)} l/100 km   "
        f"{_figure(attrs['co2_g_per_km'], 1)} g CO2/km"
    )
    rows = {"Fuel": fuel}
    events = attrs["cost_g"] - attrs["fuel_g"]
    extra = "events and battery wear" if attrs.get("throughput_cost_g") else "events"
    driven = "controller" in attrs  # by a rule, which minimises nothing
    rows["Cost with events" if driven else "Cost minimised"] = (
        f"{_figure(attrs['cost_g'], 2)} g   (fuel, and {_figure(events, 2)} g for {extra})"
    )
    if "bound_g" in attrs:
        rows["Proved bound"] = (
            f"{_figure(attrs['bound_g'], 2)} g   no schedule costs less; "
            f"gap {_figure(attrs['gap_percent'], 3)} %"
        )
    if attrs.get("gap_cause"):
        rows["Gap mostly from"] = _line(attrs["gap_cause"], 58)
    if "corridor_width" in attrs:
        width = _figure(attrs["corridor_width"] / PERCENT, 1)
        rows["SoC corridor"] = f"{width} % wide on average, proved to hold the optimum"
    start, end = (_figure(attrs[name] / PERCENT, 2) for name in ("soc_start", "soc_end"))
    rows["State of charge"] = f"{start} % -> {end} %"
    rows["Engine starts"] = _starts(attrs)
    if attrs.get("stops"):
        lost = _figure(attrs["run_down_kJ"], 2)
        rows["Engine stops"] = f"{attrs['stops']}   (kJ each: rotor {lost}, paid in starts)"
    rows["Gear shifts"] = str(attrs["shifts"])
    if continuous := _continuous(attrs):
        rows["Highest heat"] = continuous
    return [f"{name:<20}{text}" for name, text in rows.items()]


def _continuous(attrs: dict[str, Any]) -> str:
    """Tell the peaks of what lags behind its load, and for how long limits were passed."""
    peaks = {
        "clutch": ("clutch_peak_C", 1.0, "C"),
        "motor": ("motor_budget_peak", PERCENT, "%"),
        "battery": ("battery_budget_peak", PERCENT, "%"),
    }
    told = []
    for name, (key, factor, unit) in peaks.items():
        if key in attrs:
            over = attrs[f"{name}_over_s"]
            late = f" ({_figure(over, 0)} s above limit)" if over > 0.0 else ""
            told.append(f"{name} {_figure(attrs[key] / factor, 0)} {unit}{late}")
    return ", ".join(told)


def _starts(attrs: dict[str, Any]) -> str:
    """Tell the starts and, where the result says it, what takes their energy."""
    parts = ("rotor", "slip", "friction", "conversion")
    energy = [float(attrs.get(f"start_{name}_kJ", 0.0)) for name in parts]
    if not sum(energy):
        return str(attrs["starts"])
    rotor, slip, friction, loss = (_figure(part / sum(energy) / PERCENT, 0) for part in energy)
    return (
        f"{attrs['starts']}   (energy in %: rotor {rotor}, slip {slip}, friction {friction}, "
        f"loss {loss})"
    )


def _modes(attrs: dict[str, Any]) -> list[str]:
    from ..physics.modes import Mode

    lines = ["Mode                share of time"]
    for mode in Mode:
        share = attrs[f"share_{mode.name.lower()}"]
        bar = "#" * (round(BAR * share) or (share > 0.0))
        lines.append(f"{mode.text:<20}{_figure(share / PERCENT, 1):>6} %  {bar}".rstrip())
    return lines


def _energy(attrs: dict[str, Any]) -> list[str]:
    total = sum(_add(attrs, names) for names in SOURCES.values())
    lines = [f"{'Energy in':<20}{'kJ':>12}{'% of total':>14}"]
    lines += [_energy_line(name, _add(attrs, names), total) for name, names in SOURCES.items()]
    lines.append("Energy out")
    lines += [_energy_line(name, _add(attrs, names), total) for name, names in SINKS.items()]
    return lines


def _add(attrs: dict[str, Any], names: tuple[str, ...]) -> float:
    return sum(float(attrs[f"energy_{name}_kJ"]) for name in names)


def _energy_line(name: str, energy: float, total: float) -> str:
    share = _figure(100.0 * energy / total, 1) if total > 0.0 else "-"
    return f"{name:<20}{_figure(energy, 1):>12}{share:>14}"


def _footer(attrs: dict[str, Any]) -> list[str]:
    return [f"Solved in {attrs['solve_s']:.2f} s", CAUTION_LINE]


def _line(text: str, room: int) -> str:
    """Return a text without line breaks, and cut to the room there is."""
    text = " ".join(text.split())
    return text if len(text) <= room else text[: room - 3] + "..."


def _figure(value: float, digits: int) -> str:
    """Return a figure with that many digits after the point, and no minus before a zero."""
    return f"{round(value, digits) + 0.0:.{digits}f}"
