"""Memory of a device that one batch after the other takes, so that none is given back in between.

Giving memory back waits for all that runs on the device.
"""

# mypy: allow-untyped-calls

from collections.abc import Hashable
from typing import Any

import numpy as np
from numba import cuda

MARGIN = 1.05  # of what is taken over what was asked for
LARGE = 2e8  # bytes from which nothing is taken beyond what was asked for


class DeviceRoom:
    """Arrays on the device by name, each as large as was ever asked for, and a stream for them.

    Attributes
    ----------
    stream : work of one room runs beside that of others
    kind : what the problems are that the arrays are for
    """

    def __init__(self) -> None:
        self.stream = cuda.stream()
        self.nothing = cuda.to_device(np.zeros(0, dtype=np.int64))
        self.kind: Hashable = None
        self._kept: dict[str, Any] = {}

    def keep_for(self, kind: Hashable) -> None:
        """Give all memory back if it was taken for problems of another kind."""
        if kind != self.kind:
            self._kept.clear()
        self.kind = kind

    def empty(self, name: str, shape: Any, dtype: Any) -> Any:
        """Return the array of a name, not filled; it overlies what had that name before."""
        shape = shape if isinstance(shape, tuple) else (shape,)
        size = max(int(np.prod(shape)), 1) * np.dtype(dtype).itemsize
        there = self._kept.get(name)
        if there is None or there.size < size:
            self._kept[name] = there = None  # given back before more is taken
            more = MARGIN if size < LARGE else 1.0
            there = cuda.device_array(16 * int(size * more / 16 + 1), np.uint8)
            self._kept[name] = there
        flat = there[:size].view(dtype)
        return flat.reshape(shape) if len(shape) > 1 else flat[: shape[0]]

    def filled(self, name: str, array: np.ndarray) -> Any:
        """Return the array of a name with a copy of an array of the host in it."""
        there = self.empty(name, array.shape, array.dtype)
        if array.size:
            there.copy_to_device(np.ascontiguousarray(array), stream=self.stream)
        return there

    def wait(self) -> None:
        """Wait for all that was launched on the stream."""
        self.stream.synchronize()
