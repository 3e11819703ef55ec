"""The verdict on a measured car's own strategy, in one to some sentences."""

from typing import TYPE_CHECKING

import numpy as np

from ..base.units import PERCENT
from ..base.words import fixed
from ..measured_car.against_log import TRUSTED
from ..measured_car.channel_noise import COARSE
from ..measured_car.step_samples import one_a_step

if TYPE_CHECKING:
    from ..measured_car.assess import Assessment

CAUSES = {"engine": "engine on and off", "gear": "gear", "split": "split"}
"""What the car decides, in words."""
LEAST_UNTOLD = 0.05  # points of the gap
SOC_TRUSTED = 3.0  # points off the measured SoC at the end (common practice, no source)
DOUBTFUL = ("frozen", "sign", "factor", "unit")
"""Kinds of findings that put what is read from a channel in doubt."""


def verdict(assessment: "Assessment") -> str:
    """Return the verdict in one or two sentences."""
    score = assessment.score
    lost, untold = assessment.lost_percent, sum(assessment.in_question.values())
    parts = ", ".join(f"{words} {fixed(lost[name], 1)}" for name, words in CAUSES.items())
    text = (
        f"The car's own strategy lies {fixed(score.gap_percent, 1)} % above the proved bound of "
        f"this drive at equal SoC{_band_words(assessment)}, lost by {parts} points."
    )
    if untold >= LEAST_UNTOLD:
        text += (
            f" {fixed(untold, 1)} points more are lost where no channel tells what the car did, "
            "so that they are those of what was assumed there."
        )
    if cuts := assessment.sources["engine"].cuts:
        more = fixed(assessment.untold_starts_percent, 1)
        text += f" Whether {cuts} cuts of fuel were stops is not told: up to {more} points more."
    if (step := assessment.sampling) > COARSE:
        usual = "0.7 points (root mean square), 2 at worst"
        if not one_a_step(assessment.recording):
            usual = "up to 8 points at 1 s and 3 at 0.5 s, and by less than 1 from 5 Hz on"
        text += f" Its samples are {step:.3g} s apart: gaps of known cars were off by {usual}."
    if doubtful := _doubtful(assessment):
        text += f" It rests on what the log's findings doubt: {', '.join(doubtful)}."
    prediction = assessment.prediction
    off = (prediction.soc_end - prediction.soc_end_measured) / PERCENT
    charged = (prediction.soc_end - assessment.driven.settings.socs[2]) / PERCENT
    if np.isnan(off) and abs(charged) > SOC_TRUSTED:
        text += (
            f" Neither SoC nor current was measured: that the model ends {fixed(abs(charged), 1)} "
            f"points of SoC {'above' if charged > 0 else 'below'} its start is not confirmed."
        )
    if abs(off) > SOC_TRUSTED:
        text += (
            f" The model ends at {fixed(abs(off), 1)} points of SoC {'more' if off > 0 else 'less'}"
            " than were measured, so that it did not do what the car did: look at stretches that "
            "no channel tells (--part leaves them out), at the split's channel and its sign."
        )
    if not np.isfinite(prediction.fuel_error_percent):
        much = "Too little" if assessment.recording.has("fuel_rate") else "No"
        return f"{text} {much} fuel was measured that could say whether to believe the model."
    if not prediction.trusted:
        text += (
            f" Do not trust it yet: the model's fuel is {fixed(prediction.fuel_error_percent, 1)} "
            f"% off the fuel measured, more than {TRUSTED:g} %; check the fuel channel, and fit "
            "the model."
        )
    return text


def _doubtful(assessment: "Assessment") -> list[str]:
    """Return the channels of decisions that the log's own checks found wrong."""
    used = {channel for source in assessment.sources.values() for channel in source.channels}
    wrong = [set(x.channels) for x in assessment.recording.findings if x.kind in DOUBTFUL]
    return sorted(used & set().union(*wrong))


def _band_words(assessment: "Assessment") -> str:
    band = assessment.band
    if band is None:
        return ""
    return f" (90 % band {fixed(band.low, 1)} to {fixed(band.high, 1)} %)"
