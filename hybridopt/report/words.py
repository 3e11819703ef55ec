"""Rows of the tables of a report: labels and figures as text, for page and PDF alike."""

import dataclasses
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..base.units import PERCENT
from ..problem.settings import SETTINGS
from ..text.summary import SINKS, SOURCES

if TYPE_CHECKING:
    from ..optimum.result import Result
    from .contents import Contents

SCORE_HEADS = (
    "cycle",
    "controller",
    "fuel (g)",
    "fuel at equal SoC (g)",
    "SoC at the end (%)",
    "above optimum (%)",
    "above bound (%)",
    "starts",
    "shifts",
    "clipped steps",
)

Row = tuple[str, str]


def title_of(contents: "Contents") -> str:
    """Return the title of a report."""
    cycles = dict.fromkeys(str(e.result.dataset.attrs["cycle"]) for e in contents.entries)
    shown = ", ".join(list(cycles)[:4]) + (" and more" if len(cycles) > 4 else "")
    driven = any("controller" in e.result.dataset.attrs for e in contents.entries)
    return f"{'Schedules' if driven else 'Least-fuel schedules'}: {shown}"


def heading(result: "Result") -> str:
    """Return the heading of a result."""
    attrs = result.dataset.attrs
    driver = f", driven by {attrs['controller']}" if "controller" in attrs else ""
    return f"{attrs['cycle']}, driveline {attrs['driveline']}{driver}"


def key_figures(result: "Result") -> list[Row]:
    """Return what to know of a result first."""
    attrs = result.dataset.attrs
    rows = [
        ("Fuel", f"{attrs['fuel_g']:.1f} g"),
        ("Fuel per distance", f"{attrs['fuel_l_per_100km']:.3f} l/100 km"),
        ("Carbon dioxide", f"{attrs['co2_g_per_km']:.1f} g/km"),
    ]
    if "bound_g" in attrs:
        rows += [
            ("[bound, cost with events]", f"[{attrs['bound_g']:.2f}, {attrs['cost_g']:.2f}] g"),
            ("Cost above the bound", f"at most {attrs['gap_percent']:.3f} %"),
        ]
    else:
        rows.append(("Cost with events (no bound)", f"{attrs['cost_g']:.2f} g"))
    return rows + [
        (
            "State of charge",
            f"{attrs['soc_start'] / PERCENT:.2f} to {attrs['soc_end'] / PERCENT:.2f} %",
        ),
        ("Engine starts", str(attrs["starts"])),
        ("Gear shifts", str(attrs["shifts"])),
        ("Distance", f"{attrs['distance_km']:.3f} km"),
        ("Duration", f"{attrs['duration_s']:.0f} s"),
    ]


def energy_rows(result: "Result") -> list[tuple[str, str, str]]:
    """Return name, kJ and % of what was drawn, sources first."""
    attrs = result.dataset.attrs

    def energy(names: Sequence[str]) -> float:
        return sum(float(attrs[f"energy_{name}_kJ"]) for name in names)

    total = sum(energy(names) for names in SOURCES.values())
    rows = [(f"from {name}", energy(names)) for name, names in SOURCES.items()]
    rows += [(name, energy(names)) for name, names in SINKS.items()]
    return [
        (
            name,
            f"{round(value, 1) + 0.0:.1f}",
            f"{round(100.0 * value / total, 1) + 0.0:.1f}" if total > 0.0 else "-",
        )
        for name, value in rows
    ]


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
    if "controller" in attrs:
        return (
            f"hybridopt compare {_quoted(str(attrs['cycle']))} --controller "
            f"{_quoted(str(attrs['controller']))} --driveline {_quoted(str(attrs['driveline']))} "
            "with the settings above"
        )
    words = [
        "hybridopt",
        "solve",
        _quoted(str(attrs["cycle"])),
        "--driveline",
        _quoted(str(attrs["driveline"])),
    ]
    for name, setting in SETTINGS.items():
        if settings[name] != setting.default:
            words += setting.arguments(settings[name])
    return " ".join(words)


def _quoted(text: str) -> str:
    """Return a word for a POSIX shell."""
    import shlex

    return shlex.quote(" ".join(text.split()))


def score_rows(scores: Sequence[dict[str, Any]]) -> list[list[str]]:
    """Return the rows of a comparison below :data:`SCORE_HEADS`."""
    return [
        [
            score["cycle"],
            score["controller"],
            f"{score['fuel_g']:.1f}",
            f"{score['fuel_equal_g']:.1f}",
            f"{score['soc_end'] / PERCENT:.2f}",
            f"{score['gap_optimum_percent']:.2f}",
            f"{score['gap_bound_percent']:.2f}",
            f"{score['starts']:.0f}",
            f"{score['shifts']:.0f}",
            f"{score['clipped_steps']:.0f}",
        ]
        for score in scores
    ]
