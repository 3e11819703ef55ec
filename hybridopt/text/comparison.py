"""A comparison as text, JSON and CSV."""

import dataclasses
import itertools
import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from ..base.cautions import CAUTION_LINE
from ..base.units import KM_PER_H, KW, PERCENT
from ..base.words import cut, fitted, warm_up_lines
from ..controllers.journey import Shortfall
from ..files.table_csv import table_writer
from ..files.writing import Write
from ..optimum.charge_balance import BALANCE_LIMIT
from ..physics.modes import Mode
from .emissions import emission_lines, score_emissions

if TYPE_CHECKING:
    from ..controllers.controller import Command
    from ..evaluation.case import Score
    from ..evaluation.compare import Comparison, Failure
    from ..evaluation.regret import Moment

NAME_ROOM = 21
MODE_HEADS = {
    Mode.STANDSTILL: ("stand-", "still"),
    Mode.COAST: ("", "coast"),
    Mode.ELECTRIC: ("elec-", "tric"),
    Mode.REGEN: ("", "regen"),
    Mode.ENGINE_PULL_START: ("engine", "start"),
    Mode.ENGINE_ONLY: ("engine", "only"),
    Mode.BOOST: ("", "boost"),
    Mode.LOAD_POINT_SHIFT: ("load", "point"),
}
"""Two lines each; the last one is load-point shift, not to be taken for gear shifts."""
CAUSE_HEADS = {
    "engine": "engine",
    "gear": "gear",
    "split": "split",
    "window": "window",
    "grid": "grid",
}
FLAT = (
    *("cycle", "controller", "fuel_g", "fuel_equal_g", "fuel_above_optimum_percent"),
    *("fuel_per_kWh_g", "cost_g", "cost_equal_g", "cost_above_optimum_percent"),
    *("bound_g", "gap_percent", "soc_end", "balance_percent"),
    *("starts", "shifts", "clipped_steps"),
)
"""Values of a score that are one number or name."""


def comparison_text(comparison: "Comparison", moments: int = 0) -> str:
    """Describe a comparison in at most 80 columns of plain text.

    Parameters
    ----------
    comparison
        From :func:`hybridopt.compare`.
    moments
        How many of the costliest moments to list per controller and cycle.

    Returns
    -------
    str
        Lines without a final newline.
    """
    blocks = []
    for cycle in comparison.cycles:
        scores = comparison.of_cycle(cycle)
        blocks += [_values(cycle, scores), _modes(scores)]
        if emitted := emission_lines(scores, NAME_ROOM):
            blocks.append(emitted)
        if all(score.regret.totals for score in scores):
            blocks.append(_causes(scores))
        if moments:
            blocks += [_moments(score, moments) for score in scores[1:] if score.regret.moments]
    if comparison.tuned:
        blocks.append(_tuned(comparison))
    if cold := warm_up_lines(comparison.settings.ambient_temperature):
        blocks.append(cold)
    if comparison.failures:
        failed = [textwrap.wrap(failure_line(f), 80) for f in comparison.failures]
        blocks.append(["Not compared", *itertools.chain(*failed)])
    blocks.append([CAUTION_LINE])
    return "\n\n".join("\n".join(line.rstrip() for line in lines) for lines in blocks)


def _values(cycle: str, scores: "list[Score]") -> list[str]:
    best = scores[0]
    minimised = "Cost is fuel and what starts and shifts are charged; it is what was minimised."
    if "emission_cost_g" in best.result.dataset.attrs:
        minimised = "Cost: fuel and what starts, shifts, emissions are charged; it was minimised."
    lines = [
        f"Cycle {cut(cycle, 40)}: proved bound {best.bound_g:.2f} g",
        f"Equal SoC: brought to {best.soc_end / PERCENT:.2f} %, a kWh in the battery counting "
        f"{best.fuel_per_kWh_g:.1f} g of fuel.",
        minimised,
        "",
        f"{'':{NAME_ROOM}}{'SoC':>6}{'':>8}{'fuel at':>7}{'fuel':>8}{'cost':>8}{'cost':>8}",
        f"{'':{NAME_ROOM}}{'end':>6}{'fuel':>8}{'equal':>7}{'above':>8}{'above':>8}{'above':>8}",
        f"{'controller':{NAME_ROOM}}{'%':>6}{'g':>8}{'SoC':>7}{'optimum':>8}{'optimum':>8}"
        f"{'bound':>8}{'starts':>7}{'shifts':>7}",
    ]
    for score in scores:
        flag = "*" if score.balance_percent > 100.0 * BALANCE_LIMIT else ""
        lines.append(
            f"{cut(score.controller, NAME_ROOM - 1):{NAME_ROOM}}{score.soc_end / PERCENT:>6.2f}"
            f"{flag:1}{fitted(score.fuel_g, 1, 7)}{fitted(score.fuel_equal_g, 1, 7)}"
            f"{_percent(score.fuel_above_optimum_percent)}"
            f"{_percent(score.cost_above_optimum_percent)}{_percent(score.gap_percent)}"
            f"{score.starts:>7}{score.shifts:>7}"
        )
    if any(score.balance_percent > 100.0 * BALANCE_LIMIT for score in scores):
        lines.append(
            f"* energy off balance is above {100.0 * BALANCE_LIMIT:g} % of the fuel's: take its "
            "fuel with caution"
        )
    clipped = [_clipped(score) for score in scores if score.clipped_steps]
    lacking = [
        line
        for score in scores
        if score.shortfall
        for line in textwrap.wrap(f"{score.controller}: {shortfall_text(score.shortfall)}", 80)
    ]
    if lacking:
        lacking.append("They are compared with the optimum of the speed they drove.")
    return lines + clipped + lacking


def shortfall_text(shortfall: "Shortfall") -> str:
    """Return what a vehicle lacked, in one sentence."""
    return (
        f"lacked power for {shortfall.seconds:.4g} s from {shortfall.first:.6g} s on, up to "
        f"{shortfall.torque:.0f} Nm at the wheels and {shortfall.speed / KM_PER_H:.1f} km/h, "
        f"{shortfall.distance:.1f} m lost"
    )


def failure_line(failure: "Failure") -> str:
    """Return what failed and why, in one sentence."""
    where = " ".join(filter(None, (failure.cycle or "all cycles", failure.controller)))
    return f"{where}: {failure.reason}"


def _percent(value: float) -> str:
    return fitted(value, 2, 8, " %")


CLIPPED_WORDS = {"inhibitor": "inhibitor or torque rate"}
"""What is told of a kind of clipping, where its name says too little."""


def _clipped(score: "Score") -> str:
    kinds = ", ".join(
        f"{CLIPPED_WORDS.get(name, name)} {count}" for name, count in score.clipped.items() if count
    )
    return f"{cut(score.controller, 20)}: clipped in {score.clipped_steps} steps ({kinds})"


def _modes(scores: "list[Score]") -> list[str]:
    upper, lower = ("".join(f"{head[i]:>7}" for head in MODE_HEADS.values()) for i in (0, 1))
    lines = [f"{'':{NAME_ROOM}}{upper}", f"{'share of time, %':{NAME_ROOM}}{lower}"]
    for score in scores:
        shares = "".join(fitted(score.shares[mode] / PERCENT, 1, 7) for mode in MODE_HEADS)
        lines.append(f"{cut(score.controller, NAME_ROOM - 1):{NAME_ROOM}}{shares}")
    return lines


def _causes(scores: "list[Score]") -> list[str]:
    head = "".join(f"{text:>8}" for text in CAUSE_HEADS.values())
    lines = [f"{'lost by, g':{NAME_ROOM}}{head}{'sum':>8}"]
    for score in scores:
        regret = score.regret
        causes = "".join(fitted(regret.totals[name], 2, 8) for name in CAUSE_HEADS)
        name = cut(score.controller, NAME_ROOM - 1)
        lines.append(f"{name:{NAME_ROOM}}{causes}{fitted(regret.total, 2, 8)}")
    return lines


def _moments(score: "Score", most: int) -> list[str]:
    lines = [
        f"Costliest moments of {cut(score.controller, 40)}",
        f"{'from s':>8}{'to s':>7}{'lost g':>7}  {'by':<7}{'km/h':>6}{'kW':>7}  "
        f"{'done, motor N m':<18}best, motor N m",
    ]
    for moment in list(score.regret.moments)[:most]:
        lines.append(
            f"{moment.start:>8.0f}{moment.stop:>7.0f}{moment.loss:>7.2f}  {moment.cause:<7}"
            f"{moment.speed / KM_PER_H:>6.1f}{moment.wheel_power / KW:>7.1f}  "
            f"{_choice(moment.done):<18}{_choice(moment.best)}"
        )
    return lines


def _choice(choice: "Command") -> str:
    engine = "on " if choice.engine_on else "off"
    return f"{engine} gear {choice.gear} {choice.motor_torque:+.0f}"


def _tuned(comparison: "Comparison") -> list[str]:
    where = ""
    if comparison.trained:
        where = f" on the training cycles {', '.join(comparison.trained)}"
    made = (
        f"Parameters tuned{where} (SI), with what tuning made small: cost above the optimum's, %, "
        "and what it charges for energy off balance and for lacking power"
    )
    lines = textwrap.wrap(made, 80)
    for (name, cycle), tuned in comparison.tuned.items():
        where = f" on {cycle}" if cycle else ""
        title = cut(name + where, 60)
        if not tuned.parameters:
            lines.append(f"{title}: {tuned.after_percent:.2f} %; nothing to tune")
            continue
        lines.append(f"{title}: {tuned.before_percent:.2f} % -> {tuned.after_percent:.2f} %")
        lines += _wrapped(f"{key} {value:.4g}" for key, value in tuned.parameters.items())
    return lines


def _wrapped(pieces: Iterable[str]) -> list[str]:
    """Join pieces by commas into lines of at most 80 columns, indented."""
    lines = [""]
    for piece in pieces:
        if lines[-1] and len(lines[-1]) + len(piece) > 76:
            lines.append("")
        lines[-1] += f"{', ' if lines[-1] else ''}{piece}"
    return [f"  {line}" for line in lines]


def comparison_record(comparison: "Comparison") -> dict[str, Any]:
    """Return a comparison as plain objects for JSON."""
    return {
        "driveline": comparison.driveline.name,
        "driveline_sha256": comparison.driveline.sha256,
        "scores": [_score_record(score) for score in comparison.scores],
        "tuned": [
            {
                "controller": name,
                "cycle": cycle or None,
                "before_percent": tuned.before_percent,
                "after_percent": tuned.after_percent,
                "parameters": tuned.parameters,
            }
            for (name, cycle), tuned in comparison.tuned.items()
        ],
        "trained": list(comparison.trained),
        "failures": [dataclasses.asdict(failure) for failure in comparison.failures],
        "caution": CAUTION_LINE,
    }


def _score_record(score: "Score") -> dict[str, Any]:
    regret = score.regret
    return {
        **_flat(score),
        "clipped": dict(score.clipped),
        "shares": {mode.name.lower(): share for mode, share in score.shares.items()},
        "regret_g": dict(regret.totals),
        "moments": [_moment_record(moment) for moment in regret.moments],
    }


def _flat(score: "Score") -> dict[str, Any]:
    """Return the plain values of a score."""
    off_balance = score.balance_percent > 100.0 * BALANCE_LIMIT
    flat = {name: getattr(score, name) for name in FLAT} | {"off_balance": off_balance}
    return flat | score_emissions(score) | shortfall_values(score.shortfall)


def shortfall_values(shortfall: "Shortfall | None") -> dict[str, float]:
    """Return what a vehicle lacked as values with units in their names; 0 where it lacked none."""
    missing = shortfall or Shortfall(0.0, 0.0, 0.0, 0.0, 0.0)
    return {
        "lacking_s": missing.seconds,
        "missing_torque_Nm": missing.torque,
        "missing_km_per_h": missing.speed / KM_PER_H,
        "missing_m": missing.distance,
    }


def _moment_record(moment: "Moment") -> dict[str, Any]:
    return {
        "start_s": moment.start,
        "stop_s": moment.stop,
        "loss_g": moment.loss,
        "cause": moment.cause,
        "time_s": moment.time,
        "speed_km_per_h": moment.speed / KM_PER_H,
        "wheel_power_kW": moment.wheel_power / KW,
        "done": moment.done._asdict(),
        "best": moment.best._asdict(),
    }


def scores_writer(comparison: "Comparison") -> Write:
    """Return what writes one CSV row per cycle and controller."""
    rows = []
    for score in comparison.scores:
        row = _flat(score)
        row |= {f"clipped_{name}": count for name, count in score.clipped.items()}
        row |= {f"share_{mode.name.lower()}": share for mode, share in score.shares.items()}
        row |= {f"regret_{name}_g": value for name, value in score.regret.totals.items()}
        rows.append(row)
    return _csv_writer(rows)


def moments_writer(comparison: "Comparison") -> Write:
    """Return what writes one CSV row per costliest moment."""
    rows = []
    for score in comparison.scores:
        for moment in score.regret.moments:
            record = _moment_record(moment)
            for which in ("done", "best"):
                choice = record.pop(which)
                record |= {f"{which}_{key}": value for key, value in choice.items()}
            rows.append({"cycle": score.cycle, "controller": score.controller, **record})
    return _csv_writer(rows)


def _csv_writer(rows: list[dict[str, Any]]) -> Write:
    return table_writer(list(rows[0]) if rows else ["cycle"], [list(row.values()) for row in rows])
