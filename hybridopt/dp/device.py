"""A batch on a device: memory taken as planned, kernels launched in order, answers brought back."""

# mypy: allow-untyped-calls

from typing import Any, NamedTuple

import numpy as np
from numba import cuda
from numba.core import config

from .device_batch import Arrays, Batch
from .device_forward import BEST, R_SIZE, THREADS, TRACKS, _land
from .device_lists import _find_corners, _sort_lists
from .device_sweep import sweep_kernel

LIST_THREADS = 128  # of a block of kernels that give each list a thread
SWEEP_THREADS, SWEEP_BLOCKS = 512, 2  # threads of a block, and blocks of a multiprocessor at least
SIMULATED = bool(config.ENABLE_CUDASIM)


class Tracks(NamedTuple):
    """The best runs of a batch, as device_forward.py keeps them, one problem behind the other."""

    packed: np.ndarray
    shares: np.ndarray
    path: np.ndarray
    costate: np.ndarray
    found: np.ndarray
    offset: np.ndarray


class DeviceBatch:
    """A batch of problems whose arrays lie on a device.

    Parameters
    ----------
    batch
        Laid out problems.
    sweep_threads, sweep_blocks
        How the sweep is launched.
    """

    def __init__(
        self, batch: Batch, sweep_threads: int = SWEEP_THREADS, sweep_blocks: int = SWEEP_BLOCKS
    ) -> None:
        self.batch, self.count = batch, len(batch.problems)
        self.threads, self.blocks = sweep_threads, sweep_blocks
        self.arrays = Arrays(*(cuda.to_device(array) for array in batch.arrays))
        self.graph = {name: cuda.to_device(array) for name, array in batch.graph._asdict().items()}
        sizes, points = batch.sizes, batch.arrays.raw_cost.size
        self.cost, self.power = _empty(points, np.float32), _empty(points, np.float32)
        self.length = _empty(batch.arrays.list_first.size, np.int32)
        self.turn = _empty(sizes["corners"], np.float32)
        self.corner = _empty(sizes["corners"], np.int32)
        self.corners = _empty(sizes["corner_lists"], np.int32)
        self.value = _empty(sizes["value"], np.float32)
        self.offset = _empty(sizes["offset"], np.float64)

    def prepare(self) -> None:
        """Sort the lists of splits and find the corners of their hulls."""
        a, lists = self.arrays, self.length.size
        blocks = -(-lists // LIST_THREADS)
        _sort_lists[blocks, LIST_THREADS](
            a.list_first, a.list_length, a.raw_cost, a.raw_power, self.cost, self.power, self.length
        )
        longest = max(p.points.steps for p in self.batch.problems) * self.batch.gears * 3
        grid = -(-longest // LIST_THREADS), self.count
        _find_corners[grid, LIST_THREADS](
            *(a.problems, a.reals, a.dt, a.list_first, self.length, self.cost, self.power),
            *(self.turn, self.corner, self.corners),
        )

    def sweep(self, looked_at: Any = None) -> None:
        """Fill the cost-to-go and its offsets."""
        batch, a, graph = self.batch, self.arrays, self.graph
        kernel = sweep_kernel(batch.states, batch.gears, batch.ages, self.threads, self.blocks)
        nothing = cuda.to_device(np.zeros(0, dtype=np.int64)) if looked_at is None else looked_at
        arguments = (
            *(a.problems, a.reals, a.list_first, self.length, self.power, self.cost),
            *(self.turn, self.corner, self.corners, a.dt, a.nodes, a.facts),
            *(a.shift, a.moves, a.opens, graph["arrival_engine"], graph["arrival_state"]),
            *(graph["arrival_first"], graph["move_source"], graph["move_kind"]),
            *(self.value, self.offset, nothing),
        )
        size = 4 * batch.floats
        _allow_shared(kernel, arguments, size)
        kernel[self.count, self.threads, 0, size](*arguments)

    def land(self) -> Tracks:
        """Run forward until runs land on their targets; bring the best ones back."""
        a, graph, steps, paths = (
            self.arrays,
            self.graph,
            self.batch.sizes["track"],
            self.batch.sizes["offset"],
        )
        packed, shares = _empty(TRACKS * steps, np.int32), _empty(TRACKS * steps, np.float64)
        path, costate = _empty(TRACKS * paths, np.float64), _empty(TRACKS * steps, np.float64)
        found = _empty((self.count, R_SIZE), np.float64)
        threads = 32 if SIMULATED else THREADS
        _land[self.count, threads](
            *(a.problems, a.reals, a.list_first, a.list_length, a.raw_cost, a.raw_power, a.dt),
            *(a.cells, a.shift, a.moves, a.open_soc, graph["arrival_engine"]),
            *(graph["arrival_state"], graph["move_source"], graph["move_kind"]),
            *(graph["move_arrival"], self.value, packed, shares, path, costate, found),
        )
        best_steps = slice(BEST * steps, (BEST + 1) * steps)
        best_path = slice(BEST * paths, (BEST + 1) * paths)
        return Tracks(
            packed[best_steps].copy_to_host(),
            shares[best_steps].copy_to_host(),
            path[best_path].copy_to_host(),
            costate[best_steps].copy_to_host(),
            found.copy_to_host(),
            self.offset.copy_to_host(),
        )


def _empty(shape: Any, dtype: Any) -> Any:
    return cuda.device_array(shape, dtype=dtype)


def _allow_shared(kernel: Any, arguments: tuple[Any, ...], size: int) -> None:
    """Let a kernel take more shared memory than the 48 kB that need no leave."""
    if SIMULATED:
        return
    from numba.cuda.cudadrv.driver import binding, driver

    made = kernel.compile(tuple(kernel.typeof_pyval(argument) for argument in arguments))
    function = made._codelibrary.get_cufunc()
    attribute = binding.CUfunction_attribute.CU_FUNC_ATTRIBUTE_MAX_DYNAMIC_SHARED_SIZE_BYTES
    driver.cuKernelSetAttribute(attribute, size, function.handle, function.device.id)
