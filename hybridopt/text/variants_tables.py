"""A comparison of drivelines as records for JSON, as text and as CSV."""

import math
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any

from ..base.cautions import CAUTION_LINE
from ..base.units import PERCENT
from ..files.table_csv import table_writer
from ..files.writing import Write
from .table import table

if TYPE_CHECKING:
    from ..evaluation.variants import Variant, Variants

NAME_ROOM = 22
NONE = "-"


def variants_text(variants: "Variants", width: int | None = None) -> str:
    """Describe a comparison of drivelines as one table per cycle.

    Parameters
    ----------
    variants
        From :func:`hybridopt.evaluation.variants.solve_variants`.
    width
        Characters per line; None does not wrap reasons.

    Returns
    -------
    str
        Lines without a final newline. Litres where all burn one fuel, else grams of fuel and CO2.
    """
    first = _cut(variants.drivelines[0])
    fuel = ["l/100 km", "g CO2/km"] if variants.one_fuel else ["g/km", "g CO2/km"]
    against = f"{'fuel' if variants.one_fuel else 'CO2'} against {first}"
    header = ["driveline", *fuel, "gap %", "starts", "final SoC %", against]
    blocks = []
    for cycle in variants.cycles:
        rows = [_row(variant, variants.one_fuel) for variant in variants.of_cycle(cycle)]
        blocks.append(f"Cycle {_cut(cycle, 70)}\n{table(header, rows, width)}")
    return "\n\n".join([*blocks, CAUTION_LINE])


def _row(variant: "Variant", one_fuel: bool) -> list[str]:
    figures = variant.figures
    name = _cut(variant.driveline)
    if figures is None:
        return [name, *[NONE] * 5, f"cannot be solved: {variant.reason}"]
    fuel = (figures.fuel_l_per_100km, 3) if one_fuel else (figures.fuel_g_per_km, 2)
    percent = variant.fuel_percent if one_fuel else variant.co2_percent
    return [
        name,
        _figure(*fuel),
        _figure(figures.co2_g_per_km, 1),
        _figure(figures.gap_percent, 3),
        str(figures.starts),
        _figure(figures.soc_end / PERCENT, 2),
        NONE if percent is None else f"{round(percent, 2) + 0.0:+.2f} %",
    ]


def _cut(text: str, room: int = NAME_ROOM) -> str:
    text = " ".join(text.split())
    return text if len(text) <= room else text[: room - 3] + "..."


def _figure(value: float | None, digits: int) -> str:
    return NONE if value is None or math.isnan(value) else f"{value:.{digits}f}"


def variants_record(variants: "Variants") -> dict[str, Any]:
    """Return a comparison of drivelines as plain objects for JSON."""
    return {
        "cycles": list(variants.cycles),
        "drivelines": list(variants.drivelines),
        "one_fuel": variants.one_fuel,
        "variants": [_flat(variant) for variant in variants.variants],
        "caution": CAUTION_LINE,
    }


def _flat(variant: "Variant") -> dict[str, Any]:
    """Return a variant with the names of its figures beside its own; None where not known."""
    from ..evaluation.variants import Figures

    figures = variant.figures
    known = asdict(figures) if figures else dict.fromkeys(f.name for f in fields(Figures))
    flat = {
        "cycle": variant.cycle,
        "driveline": variant.driveline,
        "title": variant.title,
        "solved": figures is not None,
        **known,
        "fuel_percent": variant.fuel_percent,
        "co2_percent": variant.co2_percent,
        "reason": variant.reason,
    }
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in flat.items()
    }


def variants_writer(variants: "Variants") -> Write:
    """Return what writes one CSV row per cycle and driveline."""
    rows = [_flat(variant) for variant in variants.variants]
    names = list(rows[0])
    return table_writer(names, [["" if x is None else x for x in row.values()] for row in rows])
