"""Compiles all kernels of a batch for a device without having one; prints their names.

Run as a process of its own: memory of the device is that of the host here, and a kernel that is
launched is compiled for the types of its arguments instead.
"""

import types

import gpu_batch
import numpy as np
from numba import cuda, typeof
from numba.cuda import dispatcher

from hybridopt.dp import device, device_room
from hybridopt.dp.device_batch import ProblemBatch
from hybridopt.evaluation.batch import state_cases

CAPABILITY = 9, 0
made: set[str] = set()


class HostArray(np.ndarray):
    """Stands for an array on a device."""

    def copy_to_device(self, other, stream=None):
        """Copy, as the driver would."""
        self[...] = other


def bare(value):
    """Return an argument of a kernel as arrays of NumPy."""
    if isinstance(value, tuple):
        parts = [bare(part) for part in value]
        return type(value)(*parts) if hasattr(value, "_fields") else tuple(parts)
    return np.asarray(value) if isinstance(value, np.ndarray) else value


def compiled(kernel, _):
    """Return what compiles a kernel for the arguments that it is called with."""

    def launch(*arguments):
        types_of = tuple(typeof(bare(argument)) for argument in arguments)
        options = {k: v for k, v in kernel.targetoptions.items() if k == "launch_bounds"}
        text, _ = cuda.compile(
            kernel.py_func,
            types_of,
            cc=CAPABILITY,
            device=False,
            abi="numba",
            output="ptx",
            **options,
        )
        assert ".entry" in text
        made.add(kernel.py_func.__name__)

    return launch


def main():
    """Launch all that a batch launches."""
    dispatcher.get_current_device = lambda: types.SimpleNamespace(compute_capability=CAPABILITY)
    dispatcher.CUDADispatcher.__getitem__ = compiled
    device_room.cuda = types.SimpleNamespace(
        stream=lambda: None,
        to_device=lambda array: array.view(HostArray),
        device_array=lambda size, kind: np.zeros(size, kind).view(HostArray),
    )
    device._allow_shared = lambda *_: None
    first, *_ = state_cases(gpu_batch.cases())
    device.DeviceBatch(ProblemBatch([first.statement])).launch()
    print(*sorted(made))


if __name__ == "__main__":
    main()
