"""The limit of control without foresight as plain text and for JSON."""

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..base.units import KM_PER_H, PERCENT
from ..files.table_csv import table_writer
from ..files.writing import Write

if TYPE_CHECKING:
    from ..foresight.chain import DriveStatistics
    from ..foresight.limit import CausalLimit, Share

NAME_ROOM, WIDTH = 34, 80
PARTS = ("no_foresight", "form", "training")
MODEL = {
    False: "speed and acceleration",
    True: "speed, acceleration and whether it fell, stayed or rose",
}


def limit_text(limit: "CausalLimit", splits: Sequence[tuple[str, str]] = ()) -> str:
    """Describe the limit of control without foresight, in at most 80 columns of plain text.

    Parameters
    ----------
    limit
        From :func:`hybridopt.causal_limit`.
    splits
        Pairs of names of controllers: one whose loss is split, and one of the same form that was
        trained on other drives drawn from the model.

    Returns
    -------
    str
        Lines without a final newline.
    """
    chain, best = limit.model.chain, limit.model.optimum
    remembered = MODEL[bool(chain.memory.max() > 0)]
    model = (
        f"Model of driving: what follows a second depends on {remembered}, and on chance; "
        f"{chain.states} states, level road. Real driving may tell more, or less: all figures "
        "hold in this model."
    )
    gain = f"{best.low * 1e3:.4f} to {best.high * 1e3:.4f} mg/s"
    held = (
        f"No controller without foresight comes closer than {_share(limit.no_foresight)} to the "
        f"optimum that knows the drive, at a held price of stored energy. The best mean cost is "
        f"proved to be {gain}."
    )
    lines = [*textwrap.wrap(model, WIDTH), "", f"{'':30}{'training':>12}{'drawn':>12}"]
    lines += _statistics(limit.model.trained, limit.drawn)
    if limit.model.left_out:
        lines.append(f"left out: {limit.model.left_out} states that the driveline cannot drive")
    lines += ["", *textwrap.wrap(held, WIDTH), "", *_table(limit), "", *_notes(limit)]
    for pair in splits:
        lines += ["", *_parts(limit, *pair)]
    return "\n".join(lines)


def _share(share: "Share") -> str:
    return f"{share.percent:.2f} +- {share.error:.2f} %"


def _statistics(trained: "DriveStatistics", drawn: "DriveStatistics") -> list[str]:
    rows = (
        ("duration, s", 1.0, "seconds", 0),
        ("mean speed, km/h", KM_PER_H, "mean_speed", 1),
        ("at rest, %", PERCENT, "rest_share", 1),
        ("acceleration moving, m/s2 RMS", 1.0, "acceleration", 2),
        ("stops per km", 1.0, "stops_per_km", 2),
    )
    return [
        f"{name:30}"
        + "".join(f"{getattr(of, field) / unit:>12.{digits}f}" for of in (trained, drawn))
        for name, unit, field, digits in rows
    ]


def _table(limit: "CausalLimit") -> list[str]:
    """Rows of all costs, in closed loop and not."""
    from ..foresight.limit import BOUND, HINDSIGHT

    head = f"{'above hindsight':>18}{'above limit':>18}"
    lines = [f"{f'on {limit.drives} drawn drives':{NAME_ROOM}}{head}{'starts':>9}"]
    for name in limit.costs:
        if name == HINDSIGHT:
            continue
        done = limit.driven.get(name)
        above = "" if name == BOUND else _share(limit.above(name, BOUND))
        starts = f"{done.starts:.2f}" if done else ""
        row = f"{name:{NAME_ROOM}}{_share(limit.above(name)):>18}{above:>18}{starts:>9}"
        lines.append(row.rstrip())
    return lines


def _parts(limit: "CausalLimit", name: str, trained: str) -> list[str]:
    """Say what a controller's loss is made of."""
    foresight, form, rest = map(_share, limit.split(name, trained))
    text = (
        f"Of what {name} lose against hindsight ({_share(limit.above(name))}), no foresight is "
        f"{foresight}, which no controller can win back in this model; their form {form} at most, "
        f"as {trained} lose so much above the limit; their training and tuning {rest}."
    )
    return textwrap.wrap(text, WIDTH)


def _notes(limit: "CausalLimit") -> list[str]:
    notes = (
        "+-: 95 % interval of the sampling error. Starts: over those with hindsight. Costs count "
        f"stored energy at {limit.model.optimum.priced.price * 3.6e6:.0f} g/kWh. The proved limit "
        "holds with SoC, its window and minimum times, which the held price leaves aside."
    )
    lines = textwrap.wrap(notes, WIDTH)
    lacked = [f"{name} on {done.lacking}" for name, done in limit.driven.items() if done.lacking]
    if lacked:
        text = "Power was lacking, so that costs are too low: " + ", ".join(lacked) + " drives."
        lines += textwrap.wrap(text, WIDTH)
    return lines


def limit_record(limit: "CausalLimit", splits: Sequence[tuple[str, str]] = ()) -> dict[str, Any]:
    """Return a limit for JSON: shares in % of the mean cost with hindsight; see `limit_text`."""
    from ..foresight.limit import BOUND

    def pair(share: "Share") -> dict[str, float]:
        return {"percent": share.percent, "error_percent": share.error}

    return {
        "states": limit.model.optimum.chain.states,
        "left_out": limit.model.left_out,
        "price_g_per_kWh": limit.model.optimum.priced.price * 3.6e6,
        "mean_cost_g_per_s": [limit.model.optimum.low, limit.model.optimum.high],
        "drives": limit.drives,
        "training": vars(limit.model.trained),
        "drawn": vars(limit.drawn),
        "no_foresight": pair(limit.no_foresight),
        "proved": pair(limit.proved),
        "controllers": {
            name: {
                "above_hindsight": pair(limit.above(name)),
                "above_limit": pair(limit.above(name, BOUND)),
                **vars(done),
            }
            for name, done in limit.driven.items()
        },
        "splits": {
            name: dict(zip(PARTS, map(pair, limit.split(name, trained)), strict=True))
            for name, trained in splits
        },
    }


def limit_writer(limit: "CausalLimit") -> Write:
    """Return what writes the costs on every drawn drive, g, as CSV."""
    rows = zip(*limit.costs.values(), strict=True)
    return table_writer(
        ["drive", *(f"{name}, g" for name in limit.costs)],
        [[i + 1, *map(float, row)] for i, row in enumerate(rows)],
    )
