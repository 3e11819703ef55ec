"""What a plug-in hybrid does over a cycle, as plain text, record and CSV."""

from typing import TYPE_CHECKING, Any

from ..base.cautions import CAUTION_LINE
from ..base.units import PERCENT
from ..files.table_csv import table_writer
from ..files.writing import Write
from .record import json_ready
from .table import table

if TYPE_CHECKING:
    from ..evaluation.plug_in import PlugIn

HEAD = ["run", "SoC, %", "fuel, l/100 km", "CO2, g/km", "wall, kWh/100 km", "starts", "weight"]


def _rows(found: "PlugIn") -> list[dict[str, Any]]:
    """Return one row of values a run: depleting, sustaining, weighted."""
    weights = [*found.shares, 1.0 - found.shares.sum()]
    energies = [*found.wall_energy, 0.0]
    rows = [
        {
            "run": "sustaining" if leg is found.sustaining else f"depleting {i}",
            "soc_start": leg.soc_start,
            "soc_end": leg.soc_end,
            "fuel_g": leg.fuel_g,
            "fuel_l_per_100km": found.litres_per_100km(leg.fuel_g),
            "co2_g_per_km": found.co2_per_km(leg.fuel_g),
            "wall_kWh_per_100km": found.kwh_per_100km(energy),
            "starts": leg.starts,
            "weight": weight,
        }
        for i, (leg, weight, energy) in enumerate(
            zip((*found.depleting, found.sustaining), weights, energies, strict=True), start=1
        )
    ]
    fuel = found.weighted_fuel_g
    rows.append(
        {
            "run": "weighted",
            "fuel_g": fuel,
            "fuel_l_per_100km": found.litres_per_100km(fuel),
            "co2_g_per_km": found.co2_per_km(fuel),
            "wall_kWh_per_100km": found.kwh_per_100km(found.weighted_energy),
        }
    )
    return rows


def plug_in_record(found: "PlugIn") -> dict[str, Any]:
    """Return the values as JSON takes them; units stand in the names."""
    bound = found.blended.bound
    assert bound is not None  # solved with its bound
    return {
        "cycle": found.cycle,
        "driveline": found.driveline,
        "distance_km": found.distance / 1e3,
        "runs": [json_ready(row) for row in _rows(found)],
        "depleting_range_km": found.depleting_range / 1e3,
        "electric_range_km": found.electric_range / 1e3,
        "equivalent_electric_range_km": found.equivalent_range / 1e3,
        "charger_efficiency": found.charger_efficiency,
        "utility_distance_km": found.reference_distance / 1e3,
        "trip_km": len(found.parts) * found.distance / 1e3,
        "trip_depleted_first_g": found.parts_fuel_g,
        "trip_blended_g": found.blended_fuel_g,
        "trip_blended_cost_g": found.blended.solution.cost,
        "trip_bound_g": bound.bound,
        "blending_saves_percent": found.blending_saves_percent,
        "caution": CAUTION_LINE,
    }


def plug_in_text(found: "PlugIn") -> str:
    """Describe a plug-in hybrid over a cycle in plain text.

    Parameters
    ----------
    found
        From :func:`hybridopt.plug_in`.

    Returns
    -------
    str
        Lines without a final newline.
    """
    cells = []
    for row in _rows(found):
        soc = ""
        if "soc_start" in row:
            soc = f"{row['soc_start'] / PERCENT:.1f} -> {row['soc_end'] / PERCENT:.1f}"
        cells.append(
            [
                row["run"],
                soc,
                f"{row['fuel_l_per_100km']:.3f}",
                f"{row['co2_g_per_km']:.1f}",
                f"{row['wall_kWh_per_100km']:.2f}",
                str(row.get("starts", "")),
                f"{row['weight']:.4f}" if "weight" in row else "",
            ]
        )
    bound, blended = found.blended.bound, found.blended.solution.cost
    assert bound is not None  # solved with its bound
    far = len(found.parts) * found.distance / 1e3
    start = float(found.parts[0].soc[0]) / PERCENT
    end = found.parts[-1].attrs["soc_end"] / PERCENT
    return "\n".join(
        [
            f"{found.driveline} over {found.cycle}, {found.distance / 1e3:.3f} km a run",
            "",
            table(HEAD, cells),
            "",
            f"Depleting range            {found.depleting_range / 1e3:.1f} km",
            f"Until the engine runs      {found.electric_range / 1e3:.1f} km",
            f"Equivalent electric range  {found.equivalent_range / 1e3:.1f} km",
            "",
            f"A trip of {far:.1f} km, from {start:.1f} to {end:.1f} %:",
            f"depleted first, then sustained  {found.parts_fuel_g:.1f} g of fuel",
            f"blended over the whole trip     {found.blended_fuel_g:.1f} g, "
            f"{found.blending_saves_percent:.2f} % less",
            f"its cost with events {blended:.2f} g, proved bound {bound.bound:.2f} g",
            "",
            f"From the wall at a charger efficiency of {100 * found.charger_efficiency:g} %; "
            f"weights by the utility factor of {found.reference_distance / 1e3:g} km.",
            "Optima by whole cycles, not a type approval, which drives phases on a test bench.",
            CAUTION_LINE,
        ]
    )


def plug_in_writer(found: "PlugIn") -> Write:
    """Return what writes the runs as CSV."""
    rows = _rows(found)
    return table_writer(list(rows[0]), [[row.get(name, "") for name in rows[0]] for row in rows])
