"""Devices of a cluster's workers: each is sent tasks, and sends back their answers."""

import dataclasses
import itertools
import warnings
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

import cloudpickle
from distributed import Client, Future, wait
from distributed.scheduler import KilledWorker

from ..base.warning import InputWarning
from ..optimum.batch import Answer, devices
from .batches import AHEAD, LISTEN, BatchExecutor
from .on_device import DeviceExecutor
from .tasks import Report, TaskInput
from .workers import ALONE, one_thread

AT_ONCE = 512  # tasks that are sent to a worker together, so that a device's waves are full
FIRST = 10  # priority over batches that are replayed


class Found(NamedTuple):
    """What a worker's device found: answers, None where there are none, and why there are none."""

    answers: list[Answer | None]
    on_cpu: Counter[str]


class ClusterDeviceExecutor:
    """Has devices of a cluster's workers solve the optima of tasks, and an executor do the rest.

    Tasks whose worker dies or leaves go to the executor unsolved.

    Parameters
    ----------
    rest
        Makes outcomes of answers, and does whole tasks.
    client
        Of the cluster.
    places
        Addresses of the workers with a device, from :func:`device_places`.

    Attributes
    ----------
    on_cpu : why tasks were solved without a device, and how many for it
    """

    def __init__(self, rest: BatchExecutor, client: Client, places: list[str]) -> None:
        self.rest, self.client, self.places = rest, client, places
        self.on_cpu: Counter[str] = Counter()

    def run(self, tasks: Iterable[TaskInput], count: int, report: Report) -> None:
        """Do all tasks; see :class:`.tasks.Executor`."""
        self.rest.run(self._answered(iter(tasks)), count, report)

    def _answered(self, tasks: Iterator[TaskInput]) -> Iterator[TaskInput]:
        """Yield tasks as workers send them back, with answers or without."""
        under_way: dict[Future, tuple[str, list[TaskInput]]] = {}
        idle = self.places * AHEAD
        while True:
            while idle and (batch := list(itertools.islice(tasks, AT_ONCE))):
                place = idle.pop()
                under_way[self._send(place, batch)] = place, batch
            if not under_way:
                break
            for future in self._finished(under_way):
                place, batch = under_way.pop(future)
                idle.append(place)
                yield from self._taken(future, batch)
            idle = [place for place in idle if place in self.places]
        yield from tasks  # of workers that have left, none is there to solve them

    def _send(self, place: str, batch: list[TaskInput]) -> Future:
        content = cloudpickle.dumps(batch)
        where = {"workers": [place], "priority": FIRST}
        return self.client.submit(answer_tasks, content, pure=False, **where)

    def _finished(self, under_way: dict[Future, tuple[str, list[TaskInput]]]) -> list[Future]:
        """Wait for answers; those of workers that have left count as finished."""
        while True:
            try:
                return list(wait(list(under_way), LISTEN, "FIRST_COMPLETED").done)
            except TimeoutError:
                self.rest.team.check()
                there = self.client.scheduler_info(n_workers=-1)["workers"]
                self.places = [place for place in self.places if place in there]
                gone = [f for f, (place, _) in under_way.items() if place not in there]
                if gone:
                    self.client.cancel(gone)
                    return gone

    def _taken(self, future: Future, batch: list[TaskInput]) -> Iterator[TaskInput]:
        if future.status == "finished":
            answers, on_cpu = future.result()
            self.on_cpu += on_cpu
            for task, answer in zip(batch, answers, strict=True):
                yield dataclasses.replace(task, answer=answer)
            return
        why = "the worker with the device has left"
        if future.status == "error" and not isinstance(error := future.exception(), KilledWorker):
            why = f"the device failed ({type(error).__name__}: {error})"
        self.on_cpu[why] += len(batch)
        yield from batch


class _Collected:
    """Keeps answered tasks instead of doing them. See :class:`.tasks.Executor`."""

    def __init__(self) -> None:
        self.answers: dict[bytes, Answer | None] = {}

    def run(self, tasks: Iterable[TaskInput], count: int, report: Report) -> None:
        self.answers = {task.digest: task.answer for task in tasks}


def answer_tasks(content: bytes) -> Found:
    """Have, on a worker, its devices solve the optima of tasks.

    Parameters
    ----------
    content
        The tasks, pickled.
    """
    collected = _Collected()
    executor = DeviceExecutor(collected)
    with ALONE, warnings.catch_warnings():
        warnings.simplefilter("ignore", InputWarning)
        one_thread()
        tasks: list[TaskInput] = cloudpickle.loads(content)
        executor.run(tasks, len(tasks), lambda *_: None)
    return Found([collected.answers[task.digest] for task in tasks], executor.on_cpu)


def device_places(client: Client) -> list[str]:
    """Return the addresses of the workers that have a device."""
    found: dict[str, Any] = client.run(devices)
    return [address for address, number in found.items() if number]
