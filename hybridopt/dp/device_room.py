"""Memory of a device that one batch after the other takes, so that none is given back in between.

Giving memory back waits for all that runs on the device.
"""

# mypy: allow-untyped-calls

from typing import Any

import numpy as np
from numba import cuda

MARGIN = 1.05  # of what is taken over what was asked for
LARGE = 2e8  # bytes from which nothing is taken beyond what was asked for


class DeviceRoom:
    """Arrays on the device by name, each as large as was ever asked for, and a stream for them.

    Parameters
    ----------
    beside
        Another room on the device: the large arrays that both ask for are common to them, and they
        take turns with these.
    """

    def __init__(self, beside: "DeviceRoom | None" = None) -> None:
        self.stream = cuda.stream()
        self.nothing = cuda.to_device(np.zeros(0, dtype=np.int64))
        self._kept: dict[str, Any] = {}
        self._common: dict[str, Any] = beside._common if beside else {}
        self._turns: list[Any] = beside._turns if beside else []  # the event that ends the latest

    def empty(self, name: str, shape: Any, dtype: Any) -> Any:
        """Return the array of a name, not filled; it overlies what had that name before."""
        return self._taken(self._kept, name, shape, dtype)

    def common(self, name: str, shape: Any, dtype: Any) -> Any:
        """Return an array of a name that all rooms beside each other have in turn, not filled."""
        return self._taken(self._common, name, shape, dtype)

    def _taken(self, kept: dict[str, Any], name: str, shape: Any, dtype: Any) -> Any:
        shape = shape if isinstance(shape, tuple) else (shape,)
        size = max(int(np.prod(shape)), 1) * np.dtype(dtype).itemsize
        there = kept.get(name)
        if there is None or there.size < size:
            if kept is self._common and self._turns:
                self._turns[0].synchronize()
            kept[name] = there = None  # given back before more is taken
            more = MARGIN if size < LARGE else 1.0
            there = kept[name] = cuda.device_array(16 * int(size * more / 16 + 1), np.uint8)
        flat = there[:size].view(dtype)
        return flat.reshape(shape) if len(shape) > 1 else flat[: shape[0]]

    def filled(self, name: str, array: np.ndarray) -> Any:
        """Return the array of a name with a copy of an array of the host in it."""
        there = self.empty(name, array.shape, array.dtype)
        if array.size:
            there.copy_to_device(np.ascontiguousarray(array), stream=self.stream)
        return there

    def take_turn(self) -> None:
        """Have the stream wait until the room that took its turn before is done."""
        if self._turns:
            self._turns[0].wait(self.stream)

    def end_turn(self) -> None:
        """Let the next room have what is common once all that was launched here is done."""
        event = cuda.event()
        event.record(self.stream)
        self._turns[:] = [event]

    def wait(self) -> None:
        """Wait for all that was launched on the stream."""
        self.stream.synchronize()
