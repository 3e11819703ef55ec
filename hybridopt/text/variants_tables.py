"""Drivelines side by side as records for JSON, as text and as CSV."""

from typing import TYPE_CHECKING, Any

from ..base.cautions import CAUTION_LINE
from ..base.units import PERCENT
from ..base.words import cut
from ..files.table_csv import table_writer
from ..files.writing import Write
from ..study.values import DONE
from .record import json_ready
from .table import number, table

if TYPE_CHECKING:
    from xarray import Dataset

NAME_ROOM = 22
KEYS = (
    *("cycle", "driveline", "title", "solved", "fuel_g", "fuel_l_per_100km", "fuel_g_per_km"),
    *("co2_g_per_km", "cost_g", "bound_g", "gap_percent", "starts", "shifts", "soc_end"),
    *("distance_km", "fuel_percent", "co2_percent", "reason"),
)


def variants_text(variants: "Dataset", width: int | None = None) -> str:
    """Describe a comparison of drivelines as one table per cycle.

    Parameters
    ----------
    variants
        From :func:`hybridopt.study.drivelines.solve_variants`.
    width
        Characters per line; None does not wrap reasons.

    Returns
    -------
    str
        Lines without a final newline. Litres where all burn one fuel, else grams of fuel and CO2.
    """
    one_fuel = bool(variants.attrs["one_fuel"])
    first = cut(str(variants["driveline"].values[0]), NAME_ROOM)
    fuel = ["l/100 km", "g CO2/km"] if one_fuel else ["g/km", "g CO2/km"]
    against = f"{'fuel' if one_fuel else 'CO2'} against {first}"
    header = ["driveline", *fuel, "gap %", "starts", "final SoC %", against]
    records, blocks = _records(variants), []
    for cycle in variants["cycle"].values.tolist():
        rows = [_row(record, one_fuel) for record in records if record["cycle"] == cycle]
        blocks.append(f"Cycle {cut(cycle, 70)}\n{table(header, rows, width)}")
    return "\n\n".join([*blocks, CAUTION_LINE])


def _row(record: dict[str, Any], one_fuel: bool) -> list[str]:
    name = cut(record["driveline"], NAME_ROOM)
    if not record["solved"]:
        return [name, *["-"] * 5, f"cannot be solved: {record['reason']}"]
    fuel = ("fuel_l_per_100km", 3) if one_fuel else ("fuel_g_per_km", 2)
    percent = record["fuel_percent" if one_fuel else "co2_percent"]
    return [
        name,
        number(record[fuel[0]], fuel[1]),
        number(record["co2_g_per_km"], 1),
        number(record["gap_percent"], 3),
        number(record["starts"], 0),
        number(record["soc_end"] / PERCENT, 2),
        "-" if percent is None else f"{round(percent, 2) + 0.0:+.2f} %",
    ]


def variants_record(variants: "Dataset") -> dict[str, Any]:
    """Return a comparison of drivelines as plain objects for JSON."""
    return {
        "cycles": variants["cycle"].values.tolist(),
        "drivelines": variants["driveline"].values.tolist(),
        "one_fuel": bool(variants.attrs["one_fuel"]),
        "variants": _records(variants),
        "caution": CAUTION_LINE,
    }


def _records(variants: "Dataset") -> list[dict[str, Any]]:
    """Return a record per cycle and driveline; None where a value is not known."""
    frame = variants.to_dataframe(dim_order=["cycle", "driveline"]).reset_index()
    frame["solved"] = frame["status"] == DONE
    records = [json_ready(record) for record in frame[list(KEYS)].to_dict("records")]
    for record in records:
        for count in ("starts", "shifts"):
            record[count] = None if record[count] is None else round(record[count])
    return records


def variants_writer(variants: "Dataset") -> Write:
    """Return what writes one CSV row per cycle and driveline."""
    rows = [["" if x is None else x for x in record.values()] for record in _records(variants)]
    return table_writer(KEYS, rows)
