"""Emissions in words: rows of a summary, and a block of a comparison."""

from typing import TYPE_CHECKING, Any

from ..base.nomenclature import EMISSION_TOTALS, SPECIES, SPECIES_SHORT
from ..base.words import cut, fitted, fixed

if TYPE_CHECKING:
    from ..evaluation.case import Score


def emission_rows(attrs: dict[str, Any]) -> dict[str, str]:
    """Return rows of a summary from the totals of a result; none where it has no emissions."""
    rows = {}
    if amounts := _amounts(attrs, "_g"):
        rows["Engine emits"] = amounts
    if amounts := _amounts(attrs, "_tailpipe_g"):
        rows["Catalyst emits"] = f"{amounts}\n{'':20}{_lit(attrs)}"
    prices = {name: attrs[f"{name}_price"] for name in SPECIES if f"{name}_price" in attrs}
    if prices:
        each = (f"{SPECIES_SHORT[name]} {price:.4g}" for name, price in prices.items())
        paid = fixed(attrs["emission_cost_g"], 2)
        rows["Prices"] = f"{', '.join(each)} g of fuel per g; {paid} g in all"
    if "limits_bound_g" in attrs:
        bound, gap = fixed(attrs["limits_bound_g"], 2), fixed(attrs["limits_gap_percent"], 3)
        rows["Within limits"] = f"{bound} g   none costs less, their price left out; gap {gap} %"
    return rows


def _lit(attrs: dict[str, Any]) -> str:
    lit = attrs["catalyst_lit_s"]
    return f"lit after {fixed(lit, 0)} s" if lit < attrs["duration_s"] else "never lit"


def _amounts(attrs: dict[str, Any], end: str) -> str:
    """Return mg/km of all emissions there are; mg of a drive without length."""
    names = [name for name in SPECIES if f"{name}{end}" in attrs]
    length = attrs["distance_km"]
    unit, per = ("mg/km", length) if length > 0.0 else ("mg", 1.0)
    parts = (f"{SPECIES_SHORT[n]} {1e3 * attrs[f'{n}{end}'] / per:.4g}" for n in names)
    return f"{', '.join(parts)} {unit}" if names else ""


def score_emissions(score: "Score") -> dict[str, float]:
    """Return a score's totals of emissions by name."""
    attrs = score.result.dataset.attrs
    return {name: attrs[name] for name in EMISSION_TOTALS if name in attrs}


def emission_lines(scores: "list[Score]", room: int) -> list[str]:
    """Return the block of a comparison on one cycle: g of each emission, and behind a catalyst."""
    found = [score_emissions(score) for score in scores]
    ends = [end for end in ("_g", "_tailpipe_g") if any(n.endswith(end) for n in found[0])]
    columns = [f"{name}{end}" for name in SPECIES for end in ends if f"{name}{end}" in found[0]]
    if not columns:
        return []
    heads, factors = SPECIES_SHORT | {"particulates": "PM mg"}, {"particulates": 1e3}
    upper = "".join(f"{heads[name.partition('_')[0]]:>7}" for name in columns)
    lower = "".join(f"{'behind' if 'tail' in n else 'engine':>7}" for n in columns)
    lines = [f"{'':{room}}{upper}", f"{'emitted, g':{room}}{lower}"]
    for score, totals in zip(scores, found, strict=True):
        values = "".join(
            fitted(factors.get(name.partition("_")[0], 1.0) * totals[name], 2, 7)
            for name in columns
        )
        lines.append(f"{cut(score.controller, room - 1):{room}}{values}")
    if "catalyst_lit_s" in found[0]:
        lines.append("engine: what leaves it; behind: what leaves the catalyst")
    return lines
