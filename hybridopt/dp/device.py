"""A batch on a device: memory taken as planned, kernels launched in order, answers brought back."""

# mypy: allow-untyped-calls

from typing import Any, NamedTuple

import numpy as np

from ..physics.device_points import PlantArrays, lay_out_plants, points_kernel
from .device_batch import ProblemBatch
from .device_bound import P_SIZE, _prove
from .device_forward import BEST, TRACKS
from .device_landing import R_SIZE, _land
from .device_layout import (
    LAND_THREADS,
    PROVE_THREADS,
    SIMULATED,
    Arrays,
    BoundRoom,
    GraphArrays,
    RunTracks,
    SortedLists,
)
from .device_lists import _find_corners, _sort_lists, _spread_shifts
from .device_paths import bound_bytes
from .device_room import DeviceRoom
from .device_stages import BOX_ROWS, W_GUESS, W_SIZE, _find_hulls
from .device_sweep import sweep_kernel

LIST_THREADS = 128  # of a block of kernels that give each list a thread
SWEEP_THREADS = 32 if SIMULATED else 384  # of a block
SWEEP_BLOCKS = 2  # of a multiprocessor, at least


class Tracks(NamedTuple):
    """The best runs of a batch, as device_forward.py keeps them, one problem behind the other.

    Attributes
    ----------
    packed, shares, costate : of each step
    path : SoC before each step and at the end
    found, proved : (problems, R_SIZE) of device_forward.py, (problems, P_SIZE) of device_bound.py
    multipliers : of the bound after each step, to be scaled, g/J
    offset : of the cost-to-go, before each step and at the end
    """

    packed: np.ndarray
    shares: np.ndarray
    path: np.ndarray
    costate: np.ndarray
    found: np.ndarray
    proved: np.ndarray
    multipliers: np.ndarray
    offset: np.ndarray


class DeviceBatch:
    """A batch of problems whose arrays lie on a device.

    All is launched on one stream and runs while the host goes on, until `fetch`.

    Parameters
    ----------
    batch
        Laid out problems.
    sweep_threads, sweep_blocks
        How the sweep is launched.
    room
        Whose memory and stream the batch takes; it must be done with the batch before.
    """

    def __init__(
        self,
        batch: ProblemBatch,
        sweep_threads: int = SWEEP_THREADS,
        sweep_blocks: int = SWEEP_BLOCKS,
        room: DeviceRoom | None = None,
    ) -> None:
        self.batch, self.count = batch, len(batch.problems)
        self.room = room or DeviceRoom()
        self.stream = self.room.stream
        self.threads, self.blocks = sweep_threads, sweep_blocks
        sizes = batch.sizes
        self.plants: PlantArrays | None = None
        if batch.listed:
            self.arrays = Arrays(**self._filled(batch.arrays))
        else:
            self.arrays = self._room_for_points()
        self.graph = GraphArrays(**self._filled(batch.graph))
        points, lists = self.arrays.raw_cost.size, self.arrays.list_first.size
        steps, paths = sizes["track"], sizes["offset"]
        f4, f8, i4 = np.float32, np.float64, np.int32
        empty = self.room.empty
        self.lists = SortedLists(
            empty("length", lists, i4),
            empty("power", points, f4),
            empty("cost", points, f4),
            empty("turn", sizes["corners"], f4),
            empty("corner", sizes["corners"], i4),
            empty("corners", sizes["lists"], i4),
            empty("shift", sizes["shifts"], f4),
        )
        self.value = empty("value", sizes["value"], f4)
        self.offset = empty("offset", paths, f8)
        self.tracks = RunTracks(
            empty("packed", TRACKS * steps, i4),
            empty("shares", TRACKS * steps, f8),
            empty("path", TRACKS * paths, f8),
            empty("costate", TRACKS * steps, f8),
        )
        self.found = empty("found", (self.count, R_SIZE), f8)
        self.work = empty("work", (W_SIZE, steps), f8)
        self.proved = self.room.filled("proved", np.full((self.count, P_SIZE), -np.inf))

    def _filled(self, arrays: Any) -> dict[str, Any]:
        """Return the arrays of a named tuple on the device, by name."""
        kind = type(arrays).__name__
        return {
            name: self.room.filled(f"{kind}.{name}", array)
            for name, array in arrays._asdict().items()
        }

    def _room_for_points(self) -> Arrays:
        """Lay out what operating points are listed from, with room for them."""
        batch, own = self.batch, self.batch.points
        plants, self.points_shape = lay_out_plants(
            [p.driveline for p in own], [p.demand for p in own], own[0].aim
        )
        self.plants = PlantArrays(**self._filled(plants))
        lists, room = batch.lists_on_demand, self.points_shape[2]
        arrays = batch.arrays._replace(
            **dict.fromkeys(("list_first", "list_length", "raw_cost", "raw_power"), np.zeros(0))
        )
        return Arrays(**self._filled(arrays))._replace(
            list_first=self.room.empty("list_first", lists, np.int64),
            list_length=self.room.empty("list_length", lists, np.int32),
            raw_cost=self.room.empty("raw_cost", lists * room, np.float64),
            raw_power=self.room.empty("raw_power", lists * room, np.float64),
        )

    def prepare(self) -> None:
        """List operating points where they are not yet, sort them, find the corners of hulls."""
        a, ready = self.arrays, self.lists
        lists, steps = ready.length.size, self.batch.longest * self.batch.gears * 3
        grid = -(-steps // LIST_THREADS), self.count
        if self.plants is not None:
            blocks = grid[0], len(self.batch.points)
            points_kernel(*self.points_shape)[blocks, LIST_THREADS, self.stream](
                self.plants, a.list_first, a.list_length, a.raw_cost, a.raw_power
            )
        _sort_lists[-(-lists // LIST_THREADS), LIST_THREADS, self.stream](
            *(a.list_first, a.list_length, a.raw_cost, a.raw_power),
            *(ready.cost, ready.power, ready.length),
        )
        owners = self.room.filled("owners", self.batch.owners)
        _find_corners[(grid[0], owners.size), LIST_THREADS, self.stream](owners, a, ready)
        wide = -(-steps * self.batch.gears // LIST_THREADS), self.count
        _spread_shifts[wide, LIST_THREADS, self.stream](a.problems, a.reals, a.shift, ready.shift)

    def sweep(self, looked_at: Any = None) -> None:
        """Fill the cost-to-go and its offsets."""
        batch = self.batch
        kernel = sweep_kernel(batch.states, batch.gears, batch.ages, self.threads, self.blocks)
        nothing = self.room.nothing if looked_at is None else looked_at
        arguments = self.arrays, self.lists, self.graph, self.value, self.offset, nothing
        size = 4 * batch.floats
        _allow_shared(kernel, arguments, size)
        kernel[self.count, self.threads, self.stream, size](*arguments)

    def land(self, again: bool = True) -> None:
        """Run forward until runs land on their targets; unless `again`, once."""
        _land[self.count, LAND_THREADS, self.stream](
            *(self.arrays, self.lists.shift, self.graph, self.value, self.tracks, self.found, again)
        )

    def prove(self) -> None:
        """Prove a lower limit for the best runs; what the cost-to-go was kept in is used for it."""
        a, sizes = self.arrays, self.batch.sizes
        steps, rows = sizes["track"], self.batch.states * self.batch.gears
        lists, points = a.list_first.size, a.raw_cost.size
        spare = self.value
        if spare.size < 4 * points + 2 * (lists + sizes["lists"]) + 4:
            much = 4 * (points + lists + sizes["lists"]) + 4
            spare = self.room.empty("hulls", much, np.float32)
        hulls = spare[: 2 * (spare.size // 2)].view(np.float64)
        hull_power, hull_cost = hulls[:points], hulls[points : 2 * points]
        stage = hulls[2 * points : 2 * points + sizes["lists"]]
        empty = self.room.empty
        count = empty("hull_count", lists, np.int32)
        _find_hulls[-(-lists // LIST_THREADS), LIST_THREADS, self.stream](
            a.list_first, a.list_length, a.raw_cost, a.raw_power, hull_power, hull_cost, count
        )
        size = bound_bytes(rows, self.batch.gears, self.graph.move_source.size)
        room = BoundRoom(
            *(hull_power, hull_cost, count, self.work),
            empty("reach", (3, steps), np.int32),
            empty("boxes", (self.count, BOX_ROWS, 6), np.float64),
            stage,
            empty("marks", sizes["lists"], np.int8),
            empty("line", sizes["lists"], np.int32),
            empty("choice", steps * rows, np.int32),
            empty("way", steps, np.int32),
        )
        best = RunTracks(*(self._best(track) for track in self.tracks))
        arguments = a, self.lists, self.graph, best, self.found, room, self.proved
        _allow_shared(_prove, arguments, size)
        _prove[self.count, PROVE_THREADS, self.stream, size](*arguments)

    def _best(self, tracks: Any) -> Any:
        size = tracks.size // TRACKS
        return tracks[BEST * size : (BEST + 1) * size]

    def launch(self, bound: bool = True, again: bool = True) -> None:
        """Launch all that leads to the best runs and their bounds; `again` as in `land`."""
        self.prepare()
        self.sweep()
        self.land(again)
        if bound:
            self.prove()

    def fetch(self) -> Tracks:
        """Wait for what was launched and bring the best runs back."""
        arrays = (
            *(self._best(track) for track in self.tracks),
            *(self.found, self.proved, self.work[W_GUESS], self.offset),
        )
        self.room.wait()
        return Tracks(*(array.copy_to_host(stream=self.stream) for array in arrays))


def _allow_shared(kernel: Any, arguments: tuple[Any, ...], size: int) -> None:
    """Let a kernel take more shared memory than the 48 kB that need no leave."""
    if SIMULATED or size <= 48 * 1024:
        return
    from numba.cuda.cudadrv.driver import binding, driver

    made = kernel.compile(tuple(kernel.typeof_pyval(argument) for argument in arguments))
    function = made._codelibrary.get_cufunc()
    attribute = binding.CUfunction_attribute.CU_FUNC_ATTRIBUTE_MAX_DYNAMIC_SHARED_SIZE_BYTES
    driver.cuKernelSetAttribute(attribute, size, function.handle, function.device.id)
