"""The assessment of a measured car as text, JSON and CSV."""

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from ..base.cautions import CAUTION_LINE
from ..base.units import KM_PER_H, KW, PERCENT
from ..base.words import cut, fixed
from ..files.table_csv import table_writer
from ..files.writing import Write
from ..measured_car.channel_noise import COARSE
from ..measured_car.step_phase import STEPS
from ..measured_car.step_samples import one_a_step
from ..optimum.charge_balance import verdict as charge_verdict
from ..physics.modes import Mode
from .car_verdict import LEAST_UNTOLD, verdict
from .record import json_ready
from .table import table

if TYPE_CHECKING:
    from ..controllers.controller import Command
    from ..measured_car.assess import Assessment, CostlyPlace

WIDTH = 80
LISTED = 10


def _findings(assessment: "Assessment") -> list[str]:
    if not (found := assessment.recording.findings):
        return []
    head = "What the log's channels do not agree on; nothing was mended"
    return [head, *points([f"{one.kind}: {one.text}" for one in found])]


def assessment_text(assessment: "Assessment", moments: int = LISTED) -> str:
    """Describe an assessment in at most 80 columns of plain text.

    Parameters
    ----------
    assessment
        From :func:`hybridopt.assess`.
    moments
        How many of the costliest moments to list.

    Returns
    -------
    str
        Lines without a final newline, the verdict first.
    """
    blocks = [
        wrapped(verdict(assessment)),
        _totals(assessment),
        _readings(assessment),
        ["How it was read", *points(_read(assessment))],
        _findings(assessment),
        _clipped(assessment),
        _moments(assessment, moments),
        _modes(assessment),
        [CAUTION_LINE],
    ]
    return "\n\n".join("\n".join(line.rstrip() for line in block) for block in blocks if block)


def wrapped(text: str) -> list[str]:
    """Return a text as lines."""
    return textwrap.wrap(text, WIDTH)


def points(texts: list[str]) -> list[str]:
    """Return texts as lines, each begun by a dash."""
    lines = []
    for text in texts:
        lines += textwrap.wrap(text, WIDTH, initial_indent="- ", subsequent_indent="  ")
    return lines


def _totals(assessment: "Assessment") -> list[str]:
    score, best = assessment.score, assessment.optimum
    cycle = assessment.driven.cycle
    head = (
        f"{cut(cycle.name, 30)}, {cycle.distance / 1e3:.2f} km in {cycle.duration:.0f} s, "
        f"driveline {cut(assessment.driven.driveline.name, 24)}"
    )
    settings = assessment.driven.settings
    start, end = settings.socs[2] / PERCENT, score.soc_end / PERCENT
    rows = [
        [
            score.controller,
            fixed(score.fuel_equal_g, 1),
            fixed(score.result.fuel_l_per_100km, 2),
            fixed(score.fuel_above_optimum_percent, 2),
            fixed(score.gap_percent, 2),
            str(score.starts),
            str(score.shifts),
        ],
        [
            "optimum",
            fixed(best.fuel_g, 1),
            fixed(best.fuel_l_per_100km, 2),
            "0.00",
            fixed(best.gap_percent, 2),
            str(best.starts),
            str(best.shifts),
        ],
    ]
    header = ("", "fuel g", "l/100 km", "above optimum %", "above bound %", "starts", "shifts")
    about = (
        f"SoC {start:.1f} to {end:.1f} % for both. The bound is one of cost: fuel, and "
        f"{settings.shift_cost:g} g for a shift, {settings.start_cost:g} g for a start."
    )
    lines = [head, *wrapped(about), "", *_table(header, rows)]
    totals = score.regret.totals
    lost = ", ".join(f"{name} {fixed(value, 1)}" for name, value in totals.items())
    return [*lines, "", *wrapped(f"lost by, g: {lost}; sum {fixed(score.regret.total, 1)}")]


def _table(header: tuple[str, ...], rows: list[list[str]]) -> list[str]:
    return table(header, rows).splitlines()


def _readings(assessment: "Assessment") -> list[str]:
    """Return both readings: in the model alone, and with what was measured; and the band."""
    found, percent = assessment.prediction, PERCENT
    lines = []
    if np.isfinite(found.fuel_error_percent):
        lines.append(
            f"fuel {fixed(found.fuel_measured_g, 1)} g measured, {fixed(found.fuel_g, 1)} g by "
            f"the model when it drives as the car did ({found.fuel_error_percent:+.1f} %)"
        )
    else:
        lines.append(f"fuel was not measured; the model's is {fixed(found.fuel_g, 1)} g")
    if np.isfinite(found.soc_end_measured):
        lines.append(
            f"SoC {fixed(found.soc_end_measured / percent, 1)} % measured at the end, "
            f"{fixed(found.soc_end / percent, 1)} % by the model, "
            f"{fixed(found.soc_error / percent, 2)} points apart on the way"
        )
    else:
        lines.append(
            f"SoC was not measured; the model's ends at {fixed(found.soc_end / percent, 1)} %"
        )
    if np.isfinite(assessment.measured_above_percent):
        lines.append(
            f"the fuel as measured is {assessment.measured_above_percent:+.1f} % off the "
            "model's optimum at equal SoC, which holds the model's error; the figures above "
            "compare the model with itself"
        )
    attrs = assessment.score.result.dataset.attrs
    change, share = attrs["charge_change_Wh"], attrs["charge_balance_percent"]
    lines.append(
        f"charge balance {fixed(change, 1)} Wh, {fixed(share, 2)} % of the fuel energy: "
        f"{charge_verdict(attrs)}; a kWh counts {fixed(attrs['fuel_per_kWh_g'], 1)} g"
    )
    band = assessment.band
    if band is None:
        lines.append(
            "no uncertainty is known: no intervals of the parameters were given (--uncertainty)"
        )
    else:
        lines.append(
            f"gap {fixed(band.median, 2)} % in the middle, {fixed(band.low, 2)} to "
            f"{fixed(band.high, 2)} % in 90 % of {band.gaps.size} draws of "
            f"{len(band.parameters)} parameters ({band.draws - band.gaps.size} could not be driven)"
        )
    return ["Model and measurement", *points(lines)]


def _read(assessment: "Assessment") -> list[str]:
    texts = [source.text for source in assessment.sources.values()]
    for name, share in assessment.in_question.items():
        source = assessment.sources[name]
        if not source.assumed and share < LEAST_UNTOLD:
            continue
        what = "was assumed" if source.assumed else f"is not told for {source.unknown:.4g} s"
        texts.append(
            f"the {name} {what}: {fixed(share, 2)} points of the gap are those of the "
            "assumption, and the car's own may be more or less"
        )
    late_by = dict(assessment.delays)
    step, phase = assessment.sampling, late_by.pop(STEPS, 0.0)
    if one_a_step(assessment.recording):
        texts.append(
            f"samples are {step:.3g} s apart: steps begin where the engine was started and stopped"
        )
    elif step > COARSE:
        texts.append(f"samples are {step:.3g} s apart: no delays between channels are told")
    elif phase:
        texts.append(
            f"steps begin {phase:+.2f} s from whole seconds, where the car's decisions fall"
        )
    if late_by:
        late = ", ".join(f"{name} {delay:+.2f} s" for name, delay in late_by.items())
        texts.append(f"channels moved to the clock of vehicle speed, + came late: {late}")
    return [*texts, *assessment.driven.notes]


def _clipped(assessment: "Assessment") -> list[str]:
    if not assessment.clipped:
        return ["The model could do all that the car did."]
    rows = [
        [one.kind, fixed(one.seconds, 1), str(one.steps), fixed(one.first, 0), one.reason]
        for one in assessment.clipped
    ]
    head = "What the car did and the model cannot do (clipped)"
    return [head, *table(("kind", "s", "steps", "first s", "why"), rows, WIDTH).splitlines()]


def _moments(assessment: "Assessment", most: int) -> list[str]:
    places = list(assessment.places)[:most]
    if not places:
        return []
    header = (
        *("from s", "to s", "km", "altitude m", "km/h", "lost g", "by"),
        "done -> best (engine, gear, motor N m)",
    )
    rows = [
        [
            fixed(one.moment.start, 0),
            fixed(one.moment.stop, 0),
            fixed(one.distance / 1e3, 2),
            fixed(one.altitude, 0),
            fixed(one.moment.speed / KM_PER_H, 0),
            fixed(one.moment.loss, 2),
            one.cause,
            f"{_choice(one.moment.done)} -> {_choice(one.moment.best)}",
        ]
        for one in places
    ]
    return ["Costliest moments", *table(header, rows, WIDTH).splitlines()]


def _choice(choice: "Command") -> str:
    return f"{'on' if choice.engine_on else 'off'} {choice.gear} {choice.motor_torque:+.0f}"


def _modes(assessment: "Assessment") -> list[str]:
    best = assessment.optimum.dataset.attrs
    rows = [
        [
            mode.text,
            fixed(100.0 * assessment.score.shares[mode], 1),
            fixed(100.0 * best[f"share_{mode.name.lower()}"], 1),
        ]
        for mode in Mode
    ]
    return table(("share of time, %", "car", "optimum"), rows).splitlines()


def assessment_record(assessment: "Assessment") -> dict[str, Any]:
    """Return an assessment as plain objects for JSON."""
    score, best, found = assessment.score, assessment.optimum, assessment.prediction
    band = assessment.band
    return {
        "verdict": verdict(assessment),
        "log": assessment.recording.name,
        "driveline": assessment.driven.driveline.name,
        "gap_percent": score.gap_percent,
        "fuel_above_optimum_percent": score.fuel_above_optimum_percent,
        "cost_above_optimum_percent": score.cost_above_optimum_percent,
        "fuel_equal_g": score.fuel_equal_g,
        "bound_g": score.bound_g,
        "optimum_fuel_g": best.fuel_g,
        "soc_start": assessment.driven.settings.socs[2],
        "soc_end": score.soc_end,
        "starts": score.starts,
        "shifts": score.shifts,
        "optimum_starts": best.starts,
        "optimum_shifts": best.shifts,
        "regret_g": dict(score.regret.totals),
        "band": None
        if band is None
        else {
            "low_percent": band.low,
            "median_percent": band.median,
            "high_percent": band.high,
            "draws": band.draws,
            "driven": band.gaps.size,
            "parameters": list(band.parameters),
        },
        "prediction": json_ready(
            {
                name: getattr(found, name)
                for name in (
                    *("fuel_g", "fuel_measured_g", "fuel_error_percent"),
                    *("soc_end", "soc_end_measured", "soc_error"),
                )
            }
        )
        | {"trusted": found.trusted},
        **json_ready({"measured_above_percent": assessment.measured_above_percent}),
        "sources": {
            name: {
                "channels": list(one.channels),
                "assumed": one.assumed,
                "unknown_s": one.unknown,
                "text": one.text,
            }
            for name, one in assessment.sources.items()
        },
        "in_question_percent": dict(assessment.in_question),
        "untold_starts": {
            "cuts": assessment.sources["engine"].cuts,
            "gap_up_to_percent": score.gap_percent + assessment.untold_starts_percent,
        },
        "notes": list(assessment.driven.notes),
        "clipped": [dict(one._asdict()) for one in assessment.clipped],
        "moments": [_moment_record(one) for one in assessment.places],
        "shares": {mode.name.lower(): share for mode, share in score.shares.items()},
        "optimum_shares": {
            mode.name.lower(): best.dataset.attrs[f"share_{mode.name.lower()}"] for mode in Mode
        },
        "delays_s": dict(assessment.delays),
        "findings": [one.text for one in assessment.recording.findings],
        "caution": CAUTION_LINE,
    }


def _moment_record(place: "CostlyPlace") -> dict[str, Any]:
    moment = place.moment
    return json_ready(
        {
            "start_s": moment.start,
            "stop_s": moment.stop,
            "distance_km": place.distance / 1e3,
            "altitude_m": place.altitude,
            "speed_km_per_h": moment.speed / KM_PER_H,
            "wheel_power_kW": moment.wheel_power / KW,
            "loss_g": moment.loss,
            "cause": moment.cause,
            "told": place.told,
            "done": moment.done._asdict(),
            "best": moment.best._asdict(),
        }
    )


def places_writer(assessment: "Assessment") -> Write:
    """Return what writes one CSV row per costliest moment."""
    rows = []
    for place in assessment.places:
        record = _moment_record(place)
        for which in ("done", "best"):
            record |= {f"{which}_{key}": value for key, value in record.pop(which).items()}
        rows.append(record)
    head = list(rows[0]) if rows else ["start_s"]
    return table_writer(head, [list(row.values()) for row in rows])
