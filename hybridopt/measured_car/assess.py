"""A car's own strategy against optimum and bound of the drive that it logged."""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..base.percent import percent_above
from ..base.progress import Progress, part_of, silent
from ..controllers.builtin import Playback
from ..controllers.closed_loop import CLIPPINGS
from ..evaluation.case import Case, Score, score
from ..evaluation.regret import Moment
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..optimum.result import Result
from ..physics.codes import Reason
from ..pipeline import find_optimum
from ..problem.settings import Settings
from .against_log import AgainstLog, against_log
from .alignment import aligned
from .as_driven import AsDriven, as_driven
from .decisions import CarDecisions, DecisionSource
from .log_units import FITTED, check_units
from .replayed import NAME, Replayed, replay_car
from .uncertainty import DRAWS, GapBand, Intervals, gap_band

NOTICED = 0.02  # of the motor's peak torque, below which a torque that was clipped is noise


class ClippedCommands(NamedTuple):
    """What the car did and the model cannot do, of one kind and for one reason.

    Attributes
    ----------
    kind : "gear", "engine", "torque", "window", "inhibitor" or "speed"
    reason : in words
    steps, seconds : how many, and how long together
    first : s, the first of them
    """

    kind: str
    reason: str
    steps: int
    seconds: float
    first: float


class CostlyPlace(NamedTuple):
    """A costly moment, and where on the road it is.

    Attributes
    ----------
    moment : what was lost, done and best
    distance, altitude : m from the start; m, NaN where it was not measured
    told : whether the log tells what the car decided there
    """

    moment: Moment
    distance: float
    altitude: float
    told: bool

    @property
    def cause(self) -> str:
        """The decision that was costly, or that it was not told."""
        return self.moment.cause if self.told else "not told"


@dataclass(frozen=True, eq=False)
class Assessment:
    """A car's own strategy on the drive that it logged.

    Attributes
    ----------
    recording : the drive
    driven : its problem: cycle, driveline and settings
    sources : by decision ("engine", "gear", "split"), where it was read or what was assumed
    score : the replayed strategy against optimum and bound; its traces are in `score.result`
    optimum : the optimum that ends at the same SoC
    optimum_starts, optimum_shifts : counts
    prediction : fuel and SoC of the model against those measured
    clipped : what the car did and the model cannot do, longest first
    places : the costliest moments, worst first
    in_question : % of the bound by decision, what it lost in steps for which no channel told it:
        that is the assumption's rather than the car's
    measured_above_percent : the fuel as measured, at equal SoC, above the model's optimum, % of
        that: it holds the model's error; NaN where fuel or SoC were not measured
    delays : s, by channel, how far it came behind vehicle speed, and was moved before
    sampling : s, between samples of the log
    band : of the gap by uncertain parameters; None where no intervals are given
    """

    recording: Recording
    driven: AsDriven
    sources: Mapping[str, DecisionSource]
    score: Score
    optimum: Result
    prediction: AgainstLog
    clipped: Sequence[ClippedCommands]
    places: Sequence[CostlyPlace]
    in_question: Mapping[str, float]
    measured_above_percent: float
    delays: Mapping[str, float]
    sampling: float
    band: GapBand | None = None

    @property
    def gap_percent(self) -> float:
        """Cost of the strategy at equal SoC above the proved bound, % of it."""
        return self.score.gap_percent

    @property
    def untold_starts_percent(self) -> float:
        """What the gap lacks if all cuts of fuel that may have been stops were, % of the bound."""
        fuel = self.driven.driveline.start.fuel
        return 100.0 * self.sources["engine"].cuts * fuel / self.score.bound_g

    @property
    def lost_percent(self) -> Mapping[str, float]:
        """What the car lost by engine, gear and split where the log tells them, % of the bound."""
        totals, bound = self.score.regret.totals, self.score.bound_g
        untold = self.in_question
        return {one: 100.0 * totals[one] / bound - untold.get(one, 0.0) for one in self.sources}


def assess(
    recording: Recording,
    driveline: Driveline,
    settings: Settings | None = None,
    uncertainty: Intervals | None = None,
    draws: int = DRAWS,
    progress: Progress = silent,
) -> Assessment:
    """Replay what a car did through its model, and place it between bound and optimum.

    Parameters
    ----------
    recording
        The logged drive. One of the channels engine_speed, fuel_rate and engine_torque is needed.
    driveline
        The model of the car, such as one that was fitted to it.
    settings
        As for :func:`hybridopt.solve_cycle`; SoC and gear at the start and whether the engine runs
        there come from the recording, and the end of the replayed drive is the target of the
        optimum.
    uncertainty
        Value, lower and upper end of the 95 % interval of parameters by key of the driveline file,
        such as {"vehicle.mass_kg": (1710, 1650, 1770)}, in the unit of the key. None: no band.
    draws
        Sets of parameters for the band, each of which takes a coarse solve.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    Assessment

    Raises
    ------
    InputError
        No channel tells whether the engine was on, vehicle speed and shaft cannot belong together,
        or a setting or an interval is wrong.
    InfeasibleError
        The model cannot drive the cycle at all.
    """
    check_units(recording, driveline, FITTED)
    sampling = recording.step
    recording, delays = aligned(recording, driveline)
    given, share = (driveline, settings), 0.3 if uncertainty else 1.0
    driven = as_driven(recording, *given)
    replayed = replay_car(recording, driven)
    driven = dataclasses.replace(driven, cycle=replayed.cycle(driven.cycle))
    known = find_optimum(
        driven.cycle, driven.driveline, replayed.settings, part_of(progress, 0.0, 0.8 * share)
    )
    case = Case(known)
    driven = dataclasses.replace(driven, settings=known.settings)
    found = score(case, NAME, Playback(schedule=replayed.decisions.schedule))
    prediction = against_log(recording, driven, found.trace)
    assessment = Assessment(
        recording=recording,
        driven=driven,
        sources=replayed.decisions.sources,
        score=found,
        optimum=known.result(),
        prediction=prediction,
        clipped=_clipped(replayed, driven.driveline),
        places=_places(recording, driven.cycle, found, replayed.decisions),
        in_question=_in_question(replayed.decisions, found),
        measured_above_percent=_measured_above(case, prediction),
        delays=delays,
        sampling=sampling,
    )
    if uncertainty:
        rest = part_of(progress, share, 1.0)
        band = gap_band(recording, *given, uncertainty, found.gap_percent, draws, rest)
        high = band.high + assessment.untold_starts_percent  # it holds what is not told of starts
        assessment = dataclasses.replace(assessment, band=dataclasses.replace(band, high=high))
    progress(1.0)
    return assessment


def _clipped(replayed: Replayed, driveline: Driveline) -> list[ClippedCommands]:
    """Return what was clipped by kind and reason, longest first; torques off by noise are not."""
    decisions, drive = replayed.decisions, replayed.drive
    plan, done, demand = decisions.schedule, drive.schedule, drive.demand
    peak = float(driveline.motor.peak_torque.max())
    asked = np.where(np.isfinite(plan.motor_torque), plan.motor_torque, done.motor_torque)
    off = np.abs(asked - done.motor_torque) > NOTICED * peak
    found: list[ClippedCommands] = []
    for kind, bit in CLIPPINGS.items():
        marked = (drive.clipped & bit) > 0
        if kind == "torque":
            marked &= off & plan.powered
        words = np.array(
            [
                _why(kind, int(decisions.reasons[t]), plan.gear[t], driveline)
                for t in range(off.size)
            ]
        )
        for reason in dict.fromkeys(words[marked]):
            where = np.flatnonzero(marked & (words == reason))
            seconds = float(demand.dt[where].sum())
            found.append(
                ClippedCommands(
                    kind, str(reason), where.size, seconds, float(demand.time[where[0]])
                )
            )
    return sorted(found, key=lambda one: -one.seconds)


def _why(kind: str, reason: int, gear: int, driveline: Driveline) -> str:
    """Return why the model does not do what the car did."""
    if kind == "gear" and not 0 <= gear < driveline.gearbox.gears:
        return f"gear {gear + 1} is none of the model's {driveline.gearbox.gears}"
    if kind in ("gear", "engine"):
        return Reason(reason).text if reason else "torque or power beyond the model's limits"
    return {
        "torque": "beyond what engine, motor and battery of the model can give or take",
        "window": "the SoC window was left",
        "inhibitor": "an inhibitor or a rate of engine torque was passed",
        "speed": "the model lacks power for the speed",
    }[kind]


def _places(
    recording: Recording, cycle: Cycle, found: Score, decisions: CarDecisions
) -> list[CostlyPlace]:
    """Return the costliest moments with where they are on the road."""
    far = cycle.travelled
    height = recording.channels.get("altitude")
    known = np.zeros(0, dtype=bool) if height is None else np.isfinite(height)
    places = []
    for moment in found.regret.moments:
        altitude = float("nan")
        if height is not None and known.any():
            altitude = float(np.interp(moment.time, recording.time[known], height[known]))
        distance = float(np.interp(moment.time, cycle.time, far))
        step = int(np.searchsorted(cycle.time, moment.time + 1e-9, side="right")) - 1
        told = bool(decisions.sources[moment.cause].told[step])
        places.append(CostlyPlace(moment, distance, altitude, told))
    return places


def _measured_above(case: Case, prediction: AgainstLog) -> float:
    """Return the measured fuel at equal SoC above the optimum's, % of that."""
    if np.isnan(prediction.soc_end_measured) or np.isnan(prediction.fuel_measured_g):
        return float("nan")
    equal = case.yardstick.equal(prediction.fuel_measured_g, prediction.soc_end_measured)
    return percent_above(equal, case.optimum_fuel)


def _in_question(decisions: CarDecisions, found: Score) -> dict[str, float]:
    """Return what each decision lost in steps that no channel tells it for, % of the bound."""
    return {
        name: 100.0 * float(found.regret.causes[name][~source.told].sum()) / found.bound_g
        for name, source in decisions.sources.items()
        if not source.told.all()
    }
