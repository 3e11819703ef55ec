"""Rows of the tables of a report: labels and values as text, for page and PDF alike."""

import dataclasses
import json
import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..base.units import PERCENT
from ..base.words import fixed
from ..optimum.charge_balance import verdict
from ..problem.settings import SETTINGS
from ..text.summary import ENERGY_IN, ENERGY_OUT, energy_table

if TYPE_CHECKING:
    from ..optimum.result import Result
    from .contents import Contents

SCORE_COLUMNS: dict[str, tuple[str, float, int]] = {
    "fuel (g)": ("fuel_g", 1.0, 1),
    "fuel at equal SoC (g)": ("fuel_equal_g", 1.0, 1),
    "SoC at the end (%)": ("soc_end", PERCENT, 2),
    "fuel above optimum (%)": ("fuel_above_optimum_percent", 1.0, 2),
    "cost at equal SoC (g)": ("cost_equal_g", 1.0, 1),
    "cost above optimum (%)": ("cost_above_optimum_percent", 1.0, 2),
    "cost above bound (%)": ("gap_percent", 1.0, 2),
    "starts": ("starts", 1.0, 0),
    "shifts": ("shifts", 1.0, 0),
    "clipped steps": ("clipped_steps", 1.0, 0),
}
"""Key, unit and digits of the numbers of a comparison, by their heading."""
SCORE_HEADS = ("cycle", "controller", *SCORE_COLUMNS)

SCORES_CAPTION = "Fuel and cost at equal SoC: brought to the optimum's final state of charge."
RULES_CAPTION = "All tables; pale cells that are struck through were not reached by the training."
SCHEDULE_CAPTION = "Speed, gear, mode, torques and state of charge over time."

Row = tuple[str, str]


def title_of(contents: "Contents") -> str:
    """Return the title of a report."""
    cycles = dict.fromkeys(str(e.result.dataset.attrs["cycle"]) for e in contents.entries)
    shown = ", ".join(list(cycles)[:4]) + (" and more" if len(cycles) > 4 else "")
    driven = any("controller" in e.result.dataset.attrs for e in contents.entries)
    return f"{'Schedules' if driven else 'Least-fuel schedules'}: {shown}"


def verdict_of(result: "Result") -> str:
    """Return what a result says, in sentences."""
    attrs = result.dataset.attrs
    who = f"the controller {attrs['controller']}" if "controller" in attrs else "the optimum"
    drive = f"On {attrs['cycle']} with driveline {attrs['driveline']}, {who} uses"
    text = (
        f"{drive} {attrs['fuel_g']:.1f} g of fuel, {attrs['fuel_l_per_100km']:.3f} l/100 km or "
        f"{attrs['co2_g_per_km']:.1f} g CO2/km, with {attrs['starts']} engine starts and "
        f"{attrs['shifts']} gear shifts."
    )
    if "fuel_above_optimum_percent" in attrs:
        text += (
            f" At equal state of charge that is {attrs['fuel_equal_g']:.1f} g, "
            f"{fixed(attrs['fuel_above_optimum_percent'], 2)} % above the optimum."
        )
    if "bound_g" in attrs:
        text += (
            f" No schedule of the stated problem costs less than {attrs['bound_g']:.2f} g with "
            f"events; this one lies {fixed(attrs['gap_percent'], 3)} % above that."
        )
    if "charge_change_Wh" in attrs:
        text += f" Charge balance: {verdict(attrs)}."
    return text


def key_values(result: "Result") -> list[Row]:
    """Return what to know of a result first."""
    attrs = result.dataset.attrs
    rows = [
        ("Fuel", f"{attrs['fuel_g']:.1f} g"),
        ("Fuel per distance", f"{attrs['fuel_l_per_100km']:.3f} l/100 km"),
        ("Carbon dioxide", f"{attrs['co2_g_per_km']:.1f} g/km"),
    ]
    equal = "cost_equal_g" in attrs
    if equal:
        rows.append(("Fuel at equal SoC", f"{attrs['fuel_equal_g']:.1f} g"))
        above = attrs["fuel_above_optimum_percent"]
        rows.append(("Fuel above the optimum", f"{fixed(above, 2)} %"))
    if "bound_g" in attrs:
        cost = attrs["cost_equal_g" if equal else "cost_g"]
        where = ", at equal SoC" if equal else ""
        rows += [
            (f"[bound, cost with events{where}]", f"[{attrs['bound_g']:.2f}, {cost:.2f}] g"),
            ("Cost above the bound", f"{fixed(attrs['gap_percent'], 3)} %"),
        ]
    else:
        rows.append(("Cost with events (no bound)", f"{attrs['cost_g']:.2f} g"))
    start, end = attrs["soc_start"] / PERCENT, attrs["soc_end"] / PERCENT
    rows.append(("State of charge", f"{start:.2f} to {end:.2f} %"))
    if "charge_change_Wh" in attrs:
        share, limit = attrs["charge_balance_percent"], attrs["charge_limit_percent"]
        balance = f"{attrs['charge_change_Wh']:.1f} Wh, {share:.2f} % (limit {limit:g} %)"
        rows += [
            ("Charge balance, of the fuel energy", f"{balance}: {verdict(attrs)}"),
            ("Worth of stored energy", f"{attrs['fuel_per_kWh_g']:.1f} g/kWh"),
        ]
    return rows + [
        ("Engine starts", str(attrs["starts"])),
        ("Gear shifts", str(attrs["shifts"])),
        ("Distance", f"{attrs['distance_km']:.3f} km"),
        ("Duration", f"{attrs['duration_s']:.0f} s"),
    ]


def energy_rows(result: "Result") -> list[tuple[str, str, str]]:
    """Return name, kJ and % of what was drawn, sources first."""
    sources = energy_table(result, ENERGY_IN)
    return [(f"from {row[0]}", *row[1:]) for row in sources] + energy_table(result, ENERGY_OUT)


def input_rows(result: "Result") -> list[Row]:
    """Return inputs with their hashes, and versions."""
    attrs = result.dataset.attrs
    rows = [
        ("Cycle", str(attrs["cycle"])),
        ("SHA-256 of the cycle", str(attrs.get("cycle_sha256", "not recorded"))),
        ("Driveline", f"{attrs['driveline']}: {attrs.get('driveline_title', '')}".rstrip(": ")),
        ("SHA-256 of the driveline", str(attrs.get("driveline_sha256", "not recorded"))),
    ]
    rows += [
        (name.removeprefix("version_"), str(value))
        for name, value in attrs.items()
        if name.startswith("version_")
    ]
    return [*rows, ("energy misfit over throughput", f"{attrs['energy_residual']:.1e}")]


def setting_rows(result: "Result") -> list[Row]:
    """Return all settings, SI."""
    settings: dict[str, Any] = json.loads(result.dataset.attrs["settings"])
    return [
        (name, f"{value:g}" if isinstance(value, float) else str(value))
        for name, value in settings.items()
    ]


def repeat_command(result: "Result") -> str:
    """Return the command that solves the same again, with every setting that is not the default."""
    attrs, settings = result.dataset.attrs, dataclasses.asdict(result.settings)
    cycle, driveline = (_quoted(str(attrs[name])) for name in ("cycle", "driveline"))
    if "controller" in attrs:
        return (
            f"hybridopt compare {cycle} --controller {_quoted(attrs['controller'])} "
            f"--driveline {driveline} with the settings above"
        )
    words = ["hybridopt", "solve", cycle, "--driveline", driveline]
    for name, setting in SETTINGS.items():
        if settings[name] != setting.default:
            words += setting.arguments(settings[name])
    return " ".join(words)


def _quoted(text: str) -> str:
    """Return a word for a POSIX shell."""
    return shlex.quote(" ".join(text.split()))


def score_rows(scores: Sequence[dict[str, Any]]) -> list[list[str]]:
    """Return the rows of a comparison below :data:`SCORE_HEADS`."""
    rows = []
    for score in scores:
        numbers = (fixed(score[k] / unit, n) for k, unit, n in SCORE_COLUMNS.values())
        rows.append([score["cycle"], score["controller"], *numbers])
    return rows
