"""Where a cell of rule tables stands, in words and units of the trade."""

from collections.abc import Sequence

from .rule_set import RuleSet


def cell_place(rule_set: RuleSet, table: str, index: Sequence[int]) -> str:
    """Return the breakpoints of a cell, such as "50 km/h, SoC 55 %".

    Parameters
    ----------
    rule_set
        The tables.
    table
        Name of one of them.
    index
        Places on its axes, from 0.
    """
    axes = zip(rule_set.form.axes(table), rule_set.map(table).axes, index, strict=True)
    words = []
    for quantity, axis, i in axes:
        value = float(axis[i] / quantity.factor)
        match quantity.name:
            case "gear":
                words.append(f"gear {value:g}")
            case "engine_on":
                words.append("on" if value else "off")
            case "soc":
                words.append(f"SoC {value:.3g} %")
            case _:
                shown = f"{value:.0f}" if abs(value) >= 100.0 else f"{value:.3g}"
                words.append(f"{shown} {quantity.file_unit}")
    return ", ".join(words)
