"""Results of a study in a folder: one sealed file per task, a piece, named by the task's digest.

There is no index that could disagree with the pieces, and no place that two tasks could share. A
piece holds its task's digest and the SHA-256 of all it holds; whenever a task is to count as done,
its piece is read and both are checked. Whatever else a piece is, its task is not done.
"""

import contextlib
import json
import stat
import warnings
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import FailedError, InputError
from ..base.warning import InputWarning
from ..files.locking import locked_folder
from ..files.seal import opened, seal
from ..files.writing import bytes_writer, finish_cut_short, write_atomically
from .tasks import TaskOutcome
from .values import DONE, FAILED, VALUES, value_row

PIECES = "pieces"
KIND = "hybridopt study piece 1"
REASON_LENGTH = 600
MAX_BYTES = 200_000_000  # of a piece, packed or not


class StudyStore:
    """The folder that holds a study's results.

    Parameters
    ----------
    folder
        Of :meth:`create`, or of an earlier run.

    Attributes
    ----------
    pieces : folder of the pieces, a file per task
    """

    def __init__(self, folder: Path) -> None:
        self.folder, self.pieces = folder, folder / PIECES

    @classmethod
    def opened(cls, folder: Path) -> "StudyStore | None":
        """Return the store in a folder, or None where nothing was run yet.

        Raises
        ------
        InputError
            The folder holds something else.
        """
        if not folder.exists():
            return None
        others = _others(folder)
        if others is None:
            raise InputError(f"{folder}: is no folder; give another --store")
        if "zarr.json" in others:
            raise InputError(
                f"{folder}: holds results of an earlier version of this package, which this one "
                "does not read; give another --store, or move the folder away"
            )
        if others:
            raise InputError(
                f"{folder}: is there and holds no results of a study; give another --store"
            )
        return cls(folder)

    @classmethod
    def create(cls, folder: Path) -> "StudyStore":
        """Return the store in a folder, made where there is none.

        Raises
        ------
        InputError
            The folder holds something else.
        FailedError
            The system refused.
        """
        try:
            folder.mkdir(exist_ok=True)
        except FileExistsError:
            pass  # a file of that name, which is refused below
        except OSError as error:
            raise FailedError(f"{folder}: could not be made ({error.strerror})") from None
        store = cls.opened(folder)
        assert store is not None
        return store

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other runs away; a killed process keeps nobody away.

        Raises
        ------
        FailedError
            Another run is at work, or the system refused.
        """
        with locked_folder(self.folder):
            try:
                self.pieces.mkdir(exist_ok=True)
            except OSError as error:
                raise FailedError(f"{self.pieces}: could not be made ({error.strerror})") from None
            finish_cut_short(self.pieces)
            yield

    def names(self) -> set[bytes]:
        """Return the digests that pieces are named by, whatever these hold."""
        return {digest for path in self.pieces.glob("*") if (digest := _digest(path.name))}

    def has(self, digest: bytes) -> bool:
        """Return whether a task is done."""
        try:
            return self._read(digest) is not None
        except ValueError:
            return False

    def outcomes(self, digests: Iterable[bytes]) -> Iterator[TaskOutcome]:
        """Yield the outcomes of the tasks that are done.

        At the end, an InputWarning says how many pieces are damaged, if any.
        """
        damaged: list[str] = []
        for digest in digests:
            try:
                outcome = self._read(digest)
            except ValueError as error:
                damaged.append(f"{self.path(digest).name} ({error})")
                continue
            if outcome:
                yield outcome
        if damaged:
            message = (
                f"{self.pieces}: {len(damaged)} damaged, the first {damaged[0]}; what they held "
                "does not count as done, run the study again to do it anew"
            )
            warnings.warn(message, InputWarning, stacklevel=2)

    def write(self, outcome: TaskOutcome) -> None:
        """Write the piece of a task, whole and flushed to the disk before it has its name.

        Raises
        ------
        FailedError
            The system refused.
        """
        path, content = self.path(outcome.digest), _packed(outcome)
        try:
            write_atomically(
                path, bytes_writer(content + seal(content)), overwrite=True, sweep=False
            )
        except InputError as error:  # something else has that name, or the folder is gone
            raise FailedError(str(error)) from None

    def forget(self, digest: bytes) -> None:
        """Take a task's piece away, so that it is done again."""
        self.path(digest).unlink(missing_ok=True)

    def path(self, digest: bytes) -> Path:
        """Return the file of a task's piece."""
        return self.pieces / f"{digest.hex()}.piece"

    def _read(self, digest: bytes) -> TaskOutcome | None:
        """Return the outcome in a piece, None where there is none.

        Raises
        ------
        ValueError
            The piece is not as it was written, or is that of another task; says which.
        """
        path = self.path(digest)
        try:
            status = path.stat()
            if not stat.S_ISREG(status.st_mode) or status.st_size > MAX_BYTES:
                raise ValueError("is no ordinary file of that kind")
            body, fault = opened(path.read_bytes())
        except FileNotFoundError:
            return None
        except OSError as error:
            raise ValueError(error.strerror) from None
        if fault:
            raise ValueError(fault)
        return _unpacked(body, digest)


def _others(folder: Path) -> set[str] | None:
    """Return names of what does not belong to a store; None where that is no folder."""
    try:
        names = {path.name for path in folder.iterdir()}
    except NotADirectoryError:
        return None
    except OSError as error:
        raise InputError(f"{folder}: cannot be read ({error.strerror})") from None
    return {name for name in names - {PIECES} if not name.startswith(".")}


def _digest(name: str) -> bytes:
    """Return the digest in the name of a piece; empty where it is another file."""
    stem, dot, rest = name.partition(".")
    with contextlib.suppress(ValueError):
        return bytes.fromhex(stem) if dot and rest == "piece" else b""
    return b""


def _packed(outcome: TaskOutcome) -> bytes:
    """Return an outcome as JSON, packed; numbers come back to the last bit."""
    known = zip(VALUES, outcome.row.tolist(), strict=True)
    record = {
        "kind": KIND,
        "task": outcome.digest.hex(),
        "values": {name: value for name, value in known if value == value},
        "reason": outcome.reason[:REASON_LENGTH],
        "traces": {name: np.asarray(v, float).tolist() for name, v in outcome.traces.items()},
    }
    return zlib.compress(json.dumps(record).encode(), level=1)


def _unpacked(body: bytes, digest: bytes) -> TaskOutcome:
    try:
        record: dict[str, Any] = json.loads(zlib.decompressobj().decompress(body, MAX_BYTES))
        if record["kind"] != KIND or record["task"] != digest.hex():
            raise ValueError("is that of another task")
        traces = {name: np.array(v, dtype=float) for name, v in record["traces"].items()}
        row, reason = value_row(record["values"]), str(record["reason"])
    except (KeyError, TypeError, AttributeError, RecursionError, zlib.error, json.JSONDecodeError):
        raise ValueError("does not hold what a piece holds") from None
    outcome = TaskOutcome(digest, row, reason, traces)
    if outcome.status not in (DONE, FAILED):
        raise ValueError("does not say whether its task is done")
    return outcome
