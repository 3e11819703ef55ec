"""Many problems solved on devices, wave by wave; what they cannot take is refused with reasons."""

# mypy: allow-untyped-calls

import queue
import threading
import warnings
from collections import deque
from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar

import numpy as np

from ..base.errors import FailedError
from ..dp.forward import SOC_TOLERANCE, ForwardRun
from ..problem.statement import Statement
from .solve import DEARLY, PENALTY_STEPS

MEMORY_SHARE = 0.9  # of a device's free memory that is planned with
ROOMS = 4  # waves under way at a time on a device: where one waits, another works
TRACK_BYTES = 150  # of a step: tracks and what the bound takes, besides the rows of the cost-to-go
MOST_SPLITS = 65535  # of a list, whose numbers are packed in 16 bits
MOST_FLOATS = (
    56_000  # of shared memory that a block can have, less what the kernels take themselves
)


Found = TypeVar("Found")
SIMULATED_MEMORY = 1e9  # bytes that the simulator of a device counts as having


class Answer(NamedTuple):
    """What a device found for a problem.

    Attributes
    ----------
    run : the best run; None where there is none
    value_start : g, cost-to-go at the start
    bound : g, proved lower limit of the cost; NaN where none was wanted
    multipliers : g/J, those of the bound after each step, (steps,)
    reason : why there is no answer
    """

    run: ForwardRun | None
    value_start: float = np.nan
    bound: float = np.nan
    multipliers: np.ndarray | None = None
    reason: str = ""


@dataclass(frozen=True)
class Plan:
    """How many problems a wave of a device may hold.

    Attributes
    ----------
    memory : bytes that a wave may take
    most : problems of a wave: as many as a device sweeps at a time
    """

    memory: float
    most: int


def devices() -> int:
    """Return the number of devices that can be used; 0 where there is none, or no driver for it."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # so that one that is an error hides no device
            from numba import cuda

            return len(cuda.gpus) if cuda.is_available() else 0
    except Exception:  # whatever a driver that does not fit raises
        return 0


def refusal(statement: Statement) -> str:
    """Return why a device cannot take a problem; empty where it can."""
    points, graph = statement.points, statement.event_base.graph
    if statement.settings.thermal_limits:
        return "thermal limits are kept by solving again and again"
    if statement.settings.warms:
        return "the oil's temperature is a state here only"
    if statement.settings.emission_limits:
        return "limits of emissions are kept by solving again and again"
    if statement.settings.limits_rates:
        return "rates of the engine's torque are kept here only"
    if statement.settings.min_reversal_time > 0.0:
        return "a minimum time between shifts back and forth is kept here only"
    if points.splits > MOST_SPLITS:
        return f"it has more than {MOST_SPLITS} splits"
    from ..dp.device_sweep import shared_floats

    rows = graph.states * points.gears
    arrivals = graph.arrival_engine.size
    if shared_floats(rows, arrivals, points.gears, statement.grid.points) > MOST_FLOATS:
        return (
            f"{graph.states} states, {points.gears} gears and {statement.grid.points} SoC points "
            "do not fit a block's shared memory"
        )
    return ""


class _Wave:
    """Problems that go to a device together, and the bytes that they take there."""

    def __init__(self) -> None:
        self.jobs: list[Job] = []
        self.used = 0.0
        self._known: set[Hashable] = set()

    def needs(self, statement: Statement) -> dict[Hashable, float]:
        """Return the bytes that a problem takes besides what is there, by what they are of."""
        points, graph, grid = statement.points, statement.event_base.graph, statement.grid
        rows, lists = graph.states * points.gears, points.steps * points.gears * 3
        splits = float(lists * points.splits)
        value = 4.0 * (points.steps + 1) * rows * grid.points
        own = float(points.steps * TRACK_BYTES)
        own += 4.0 * lists * points.gears + 13.0 * lists  # costs of shifts, the bound's lists
        corners = id(points), grid.low, grid.spacing, grid.points, id(statement.cell.voltage)
        shared = {id(points): 24.0 * splits, corners: 8.0 * splits}
        more = {k: v for k, v in shared.items() if k not in self._known}
        return {None: value + own} | more

    def add(self, job: "Job", needs: dict[Hashable, float]) -> None:
        """Take a problem in."""
        self.jobs.append(job)
        self.used += sum(needs.values())
        self._known |= needs.keys() - {None}


class Job(NamedTuple):
    """A problem under way: its number, its statement at a penalty, and how often that was raised.

    `best` is the best answer at lower penalties.
    """

    number: int
    statement: Statement
    turn: int = 0
    best: Answer | None = None

    @property
    def kind(self) -> Hashable:
        """What all problems of a wave have in common."""
        points, graph = self.statement.points, self.statement.event_base.graph
        moves = graph.source.tobytes(), graph.gear.tobytes(), graph.engine.tobytes()
        return graph.states, points.gears, *moves, type(points), getattr(points, "aim", 0)


class Waves:
    """Problems gathered into waves, as they come.

    Parameters
    ----------
    source
        New problems; several devices may take from it.
    plan
        How large waves are.

    Attributes
    ----------
    again : problems to be solved again
    """

    def __init__(self, source: "Source", plan: Plan) -> None:
        self.source, self.plan = source, plan
        self.again: deque[Job] = deque()
        self._kinds: dict[Hashable, _Wave] = {}

    def next(self) -> list[Job]:
        """Return the next wave: a full one, or at the end what is left, if anything."""
        while job := self.again.popleft() if self.again else self.source.next():
            wave = self._kinds.setdefault(job.kind, _Wave())
            needs = wave.needs(job.statement)
            if wave.jobs and wave.used + sum(needs.values()) > self.plan.memory:
                self.again.appendleft(job)
                return self._kinds.pop(job.kind).jobs
            wave.add(job, needs)
            if len(wave.jobs) >= self.plan.most:
                return self._kinds.pop(job.kind).jobs
        for kind in list(self._kinds):
            return self._kinds.pop(kind).jobs
        return []


class Source:
    """Problems for several devices; those that no device can take are set aside."""

    def __init__(self, statements: Iterable[Statement]) -> None:
        self._numbered, self._lock = enumerate(statements), threading.Lock()
        self.refused: deque[tuple[int, Answer]] = deque()

    def next(self) -> Job | None:
        """Return the next problem that a device can take."""
        with self._lock:
            for number, statement in self._numbered:
                if why := refusal(statement):
                    self.refused.append((number, Answer(None, reason=why)))
                else:
                    return Job(number, statement)
        return None


def solve_statements(
    statements: Iterable[Statement], bound: bool = True, once: bool = False
) -> Iterator[tuple[int, Answer]]:
    """Solve problems on all devices; yield number and answer of each, as they are found.

    Statements are taken as they are needed, so that they are made while the device is at work.
    Where a target is missed or dearly met, the problem is solved again on steeper penalties, as
    :func:`.solve.solve` does, and the cheapest run counts; not so where each is solved `once`, as
    its penalty is what charge is worth.

    Raises
    ------
    FailedError
        There is no device, or it failed.
    """
    number = devices()
    if not number:
        raise FailedError("there is no device with a driver and numba-cuda; solve on the CPU")
    source = Source(statements)
    for pair in _on_devices(source, number, bound, once):
        while source.refused:
            yield source.refused.popleft()
        yield pair
    yield from source.refused


def in_order(pairs: Iterable[tuple[int, Found]]) -> Iterator[Found]:
    """Yield what was found under the numbers 0, 1, 2, ... in their order."""
    early: dict[int, Found] = {}
    shown = 0
    for number, found in pairs:
        early[number] = found
        while shown in early:
            yield early.pop(shown)
            shown += 1


def _judge(job: Job, answer: Answer) -> Job | Answer:
    """Return the answer of a problem, or the problem on a steeper penalty."""
    statement, best = job.statement, job.best
    if best is None or _rank(statement, answer) < _rank(statement, best):
        best = answer
    if job.turn + 1 < len(PENALTY_STEPS) and _to_repeat(statement, answer):
        steeper = statement.steeper(PENALTY_STEPS[job.turn + 1] / PENALTY_STEPS[job.turn])
        return Job(job.number, steeper, job.turn + 1, best)
    return _judged(statement, best)


def _rank(statement: Statement, answer: Answer) -> tuple[bool, bool, float]:
    """Order answers: those that meet the target first, then by cost."""
    if answer.run is None:
        return True, True, np.inf
    return False, _missed(statement, answer.run), answer.run.cost


def _missed(statement: Statement, run: ForwardRun) -> bool:
    grid = statement.grid
    return bool(grid.penalty > 0.0 and run.soc[-1] < grid.target - SOC_TOLERANCE)


def _to_repeat(statement: Statement, answer: Answer) -> bool:
    """Return whether the target was missed or dearly met."""
    if answer.run is None:
        return False
    dearly = answer.run.cost > (1.0 + DEARLY) * answer.value_start + DEARLY
    return dearly or _missed(statement, answer.run)


def _judged(statement: Statement, answer: Answer) -> Answer:
    """Return an answer, without its run where that misses target or window."""
    run = answer.run
    if run is None:
        return answer
    low = statement.grid.low - SOC_TOLERANCE
    if _missed(statement, run) or run.soc.min() < low:
        return Answer(None, reason="its best run misses the target or leaves the SoC window")
    return answer


def _on_devices(
    source: Source, number: int, bound: bool, once: bool
) -> Iterator[tuple[int, Answer]]:
    """Solve on devices, one thread for each."""
    if number == 1:
        yield from _on_device(source, 0, bound, once)
        return
    found: queue.Queue[Any] = queue.Queue()

    def work(device: int) -> None:
        try:
            for pair in _on_device(source, device, bound, once):
                found.put(pair)
        except BaseException as error:  # for the thread that waits
            found.put(error)
        found.put(None)

    for device in range(number):
        threading.Thread(target=work, args=(device,), daemon=True).start()
    left = number
    while left:
        pair = found.get()
        if isinstance(pair, BaseException):
            raise pair
        if pair is None:
            left -= 1
        else:
            yield pair


def _on_device(
    source: Source, device: int, bound: bool, once: bool
) -> Iterator[tuple[int, Answer]]:
    """Solve on a device: while some waves run, one is read and the next one laid out."""
    from numba import cuda

    from ..dp.device import DeviceBatch
    from ..dp.device_batch import ProblemBatch
    from ..dp.device_layout import SIMULATED
    from ..dp.device_room import DeviceRoom

    with cuda.gpus[device]:
        free, most = (SIMULATED_MEMORY, 1) if SIMULATED else _capacity(cuda)
        idle, under_way = deque(DeviceRoom() for _ in range(ROOMS)), deque[tuple[list[Job], Any]]()
        waves = Waves(source, Plan(MEMORY_SHARE * free / ROOMS, most))
        while True:
            if idle and (wave := waves.next()):
                room = idle.popleft()
                room.keep_for(wave[0].kind)
                made = DeviceBatch(ProblemBatch([job.statement for job in wave]), room=room)
                made.launch(bound, not once)
                under_way.append((wave, made))
                if idle:
                    continue
            if not under_way:
                return
            wave, made = under_way.popleft()
            for job, answer in zip(wave, _answers(made, bound), strict=True):
                judged = answer if once else _judge(job, answer)
                if isinstance(judged, Job):
                    waves.again.append(judged)
                else:
                    yield job.number, judged
            idle.append(made.room)


def _capacity(cuda: Any) -> tuple[float, int]:
    """Return free bytes of the current device, and how many problems it works on at once."""
    from ..dp.device import SWEEP_BLOCKS

    free, _ = cuda.current_context().get_memory_info()
    return float(free), cuda.get_current_device().MULTIPROCESSOR_COUNT * SWEEP_BLOCKS


def _answers(made: Any, bound: bool) -> Iterator[Answer]:
    """Wait for a wave and turn what it found into answers."""
    tracks = made.fetch()
    gear, engine = tracks.packed >> 24, (tracks.packed >> 16) & 255
    split = tracks.packed & 65535
    step, point = 0, 0
    for problem, found, proved in zip(
        made.batch.problems, tracks.found, tracks.proved, strict=True
    ):
        steps = problem.points.steps
        here, ends = slice(step, step + steps), slice(point, point + steps + 1)
        if np.isfinite(found[0]):
            run = ForwardRun(
                gear[here].astype(np.int64),
                engine[here].astype(np.int64),
                split[here].astype(np.int64),
                tracks.shares[here],
                tracks.path[ends],
                float(found[0]),
                tracks.costate[here],
            )
            value = float(found[2] + tracks.offset[point])
            if bound:
                multipliers = proved[1] * tracks.multipliers[here]
                yield Answer(run, value, float(proved[0]), multipliers)
            else:
                yield Answer(run, value)
        elif np.isnan(found[0]):
            yield Answer(None, reason="a step has more splits than the device has room for")
        else:
            yield Answer(None, reason="no run got to the end on the device")
        step, point = step + steps, point + steps + 1
