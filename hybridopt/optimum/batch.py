"""Many problems solved on devices, wave by wave; what they cannot take is refused with reasons."""

# mypy: allow-untyped-calls

import queue
import threading
from collections import deque
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..base.errors import FailedError
from ..dp.forward import SOC_TOLERANCE, ForwardRun
from ..problem.statement import Statement
from .solve import DEARLY, PENALTY_STEPS

MEMORY_SHARE = 0.9  # of a device's free memory that is planned with
ROOMS = 2  # waves under way at a time on a device
TRACK_BYTES = 150  # of a step: tracks and what the bound takes, besides the rows of the cost-to-go
MOST_SPLITS = 65535  # of a list, whose numbers are packed in 16 bits
MOST_FLOATS = (
    56_000  # of shared memory that a block can have, less what the kernels take themselves
)


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
    full : problems that a device works on at a time; larger waves are cut to a multiple of it
    most : problems of a wave
    """

    memory: float
    full: int
    most: int


def devices() -> int:
    """Return the number of devices that can be used; 0 where there is none, or no driver for it."""
    try:
        from numba import cuda

        return len(cuda.gpus) if cuda.is_available() else 0
    except Exception:  # whatever a driver that does not fit raises
        return 0


def refusal(statement: Statement) -> str:
    """Return why a device cannot take a problem; empty where it can."""
    points, graph = statement.points, statement.event_base.graph
    if statement.settings.thermal_limits:
        return "thermal limits are kept by solving again and again"
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
        self.numbers: list[int] = []
        self.used = 0.0
        self._known: set[Hashable] = set()

    def needs(self, statement: Statement) -> dict[Hashable, float]:
        """Return the bytes that a problem takes besides what is there, by what they are of."""
        points, graph, grid = statement.points, statement.event_base.graph, statement.grid
        rows, lists = graph.states * points.gears, points.steps * points.gears * 3
        splits = float(lists * points.splits)
        own = 4.0 * (points.steps + 1) * rows * grid.points + points.steps * TRACK_BYTES
        own += 4.0 * lists * points.gears + 9.0 * lists  # costs of shifts, the bound's lists
        corners = id(points), grid.low, grid.spacing, grid.points, id(statement.cell.voltage)
        shared = {id(points): 24.0 * splits, corners: 8.0 * splits}
        return {None: own} | {k: v for k, v in shared.items() if k not in self._known}

    def add(self, number: int, needs: dict[Hashable, float]) -> None:
        """Take a problem in."""
        self.numbers.append(number)
        self.used += sum(needs.values())
        self._known |= needs.keys()


def waves(statements: Sequence[Statement], order: Iterable[int], plan: Plan) -> Iterator[list[int]]:
    """Yield numbers of problems that go to a device together, one kind of graph at a time."""
    kinds: dict[Any, list[int]] = {}
    for i in order:
        statement = statements[i]
        graph = statement.event_base.graph
        kind = (
            *(graph.states, statement.points.gears, graph.source.tobytes(), graph.gear.tobytes()),
            *(graph.engine.tobytes(), type(statement.points), getattr(statement.points, "aim", 0)),
        )
        kinds.setdefault(kind, []).append(i)
    for members in kinds.values():
        waiting = deque(members)
        while waiting:
            wave = _Wave()
            while waiting and len(wave.numbers) < plan.most:
                needs = wave.needs(statements[waiting[0]])
                if wave.numbers and wave.used + sum(needs.values()) > plan.memory:
                    break
                wave.add(waiting.popleft(), needs)
            over = len(wave.numbers) % plan.full
            if waiting and over < len(wave.numbers):
                waiting.extendleft(reversed(wave.numbers[len(wave.numbers) - over :]))
                wave.numbers = wave.numbers[: len(wave.numbers) - over]
            yield wave.numbers


def solve_statements(
    statements: Sequence[Statement], bound: bool = True
) -> Iterator[tuple[int, Answer]]:
    """Solve problems on all devices; yield number and answer of each, as they are found.

    Where a target is missed or dearly met, the problem is solved again on steeper penalties, as
    :func:`.solve.solve` does, and the cheapest run counts.

    Raises
    ------
    FailedError
        There is no device, or it failed.
    """
    number = devices()
    if not number:
        raise FailedError("there is no device with a driver and numba-cuda; solve on the CPU")
    refused = [refusal(statement) for statement in statements]
    yield from ((i, Answer(None, reason=why)) for i, why in enumerate(refused) if why)
    waiting = [i for i, why in enumerate(refused) if not why]
    best: dict[int, Answer] = {}
    current = list(statements)
    for turn, factor in enumerate(PENALTY_STEPS):
        again: list[int] = []
        if turn:
            for i in waiting:
                current[i] = statements[i].steeper(factor)
        for i, answer in _on_devices(current, waiting, number, bound):
            statement = current[i]
            before = best.get(i)
            if before is None or _rank(statement, answer) < _rank(statement, before):
                best[i] = answer
            if turn + 1 < len(PENALTY_STEPS) and _to_repeat(statement, answer):
                again.append(i)
            else:
                yield i, _judged(statement, best.pop(i))
        waiting = again


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
    statements: Sequence[Statement], waiting: list[int], number: int, bound: bool
) -> Iterator[tuple[int, Answer]]:
    """Solve on devices, one thread for each."""
    if not waiting:
        return
    if number == 1:
        yield from _on_device(statements, waiting, 0, bound)
        return
    found: queue.Queue[Any] = queue.Queue()

    def work(device: int) -> None:
        try:
            for pair in _on_device(statements, waiting[device::number], device, bound):
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
    statements: Sequence[Statement], waiting: list[int], device: int, bound: bool
) -> Iterator[tuple[int, Answer]]:
    """Solve on a device: while a wave runs, the one before is read and the next one laid out."""
    from numba import cuda

    from ..dp.device import SIMULATED, DeviceBatch
    from ..dp.device_batch import Batch
    from ..dp.device_room import Room

    with cuda.gpus[device]:
        free, full = (SIMULATED_MEMORY, 1) if SIMULATED else _capacity(cuda)
        rooms = [Room() for _ in range(ROOMS)]
        under_way: list[tuple[list[int], Any]] = []
        plan = Plan(MEMORY_SHARE * free / ROOMS, full, 2 * full)
        for turn, wave in enumerate(waves(statements, waiting, plan)):
            made = DeviceBatch(Batch([statements[i] for i in wave]), room=rooms[turn % ROOMS])
            made.launch(bound)
            under_way.append((wave, made))
            if len(under_way) == ROOMS:
                yield from _answers(*under_way.pop(0), bound)
        for wave, made in under_way:
            yield from _answers(wave, made, bound)


def _capacity(cuda: Any) -> tuple[float, int]:
    """Return free bytes of the current device, and how many problems it works on at once."""
    from ..dp.device import SWEEP_BLOCKS

    free, _ = cuda.current_context().get_memory_info()
    return float(free), cuda.get_current_device().MULTIPROCESSOR_COUNT * SWEEP_BLOCKS


def _answers(wave: list[int], made: Any, bound: bool) -> Iterator[tuple[int, Answer]]:
    """Wait for a wave and turn what it found into answers."""
    tracks = made.fetch()
    gear, engine = tracks.packed >> 24, (tracks.packed >> 16) & 255
    split = tracks.packed & 65535
    step, point = 0, 0
    for i, problem, found, proved in zip(
        wave, made.batch.problems, tracks.found, tracks.proved, strict=True
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
                yield i, Answer(run, value, float(proved[0]), multipliers)
            else:
                yield i, Answer(run, value)
        else:
            yield i, Answer(None, reason="no run got to the end on the device")
        step, point = step + steps, point + steps + 1
