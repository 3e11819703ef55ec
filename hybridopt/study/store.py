"""Results of a study in a folder: one Zarr group, one piece per task, each written whole.

A piece is a chunk of its own. The library writes a chunk under another name and renames it, and
the chunk of the row of values comes last, so that a task counts as done only when all of it is
there. Tasks keep their places for ever; new ones are put behind the old ones.
"""

import contextlib
import os
import re
import warnings
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import zarr

from ..base.cautions import CAUTION
from ..base.errors import FailedError, InputError
from ..base.nomenclature import STEP_VARIABLES
from ..files.locking import locked_folder
from .tasks import TaskOutcome
from .values import VALUES

KIND = "hybridopt study"
ROWS, NAMES = "figures", "figure"  # rows of values and their names, as stores of users call them
REASON_BYTES = 600
DIGESTS_PER_CHUNK = 4096
PIECE_BYTES = 8 * len(VALUES)
_PIECE = re.compile(r"c\.(\d+)\.0")
_DOTS: Any = {"name": "default", "separator": "."}


class StudyStore:
    """The folder that holds a study's results.

    Parameters
    ----------
    folder
        Of :meth:`create`, or of an earlier run.

    Attributes
    ----------
    pieces : folder of the rows of values, a file per task

    Raises
    ------
    InputError
        There is no store, or it is another kind of folder.
    """

    def __init__(self, folder: Path) -> None:
        self.folder, self.pieces = folder, folder / ROWS
        mode = "r+" if os.access(folder, os.W_OK) else "r"
        try:
            self.group: Any = zarr.open_group(folder, mode=mode)  # type: ignore[arg-type]
            attrs = dict(self.group.attrs)
            self._arrays: dict[str, Any] = {
                name: self.group[name] for name in ("digest", ROWS, "reason")
            }
        except (OSError, KeyError, ValueError) as error:
            raise InputError(
                f"{folder}: holds no results of a study ({type(error).__name__}); run it first"
            ) from None
        if attrs.get("kind") != KIND or attrs.get(ROWS) != list(VALUES):
            raise InputError(
                f"{folder}: holds results of another version of this package; give another --store"
            )

    @classmethod
    def opened(cls, folder: Path) -> "StudyStore | None":
        """Return the store in a folder, or None where nothing was run yet."""
        return cls(folder) if (folder / ROWS).is_dir() else None

    @classmethod
    def create(cls, folder: Path) -> "StudyStore":
        """Return the store in a folder, made anew where there is none.

        Raises
        ------
        InputError
            The folder holds something else.
        FailedError
            The system refused.
        """
        if (folder / ROWS / "zarr.json").exists():
            return cls(folder)
        if folder.exists() and any(p.name not in _BEGUN for p in folder.iterdir()):
            raise InputError(
                f"{folder}: is there and holds no results of a study; give another --store"
            )
        try:
            _make(folder)
        except OSError as error:
            raise FailedError(f"{folder}: could not be made ({error.strerror})") from None
        return cls(folder)

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other runs away; a killed process keeps nobody away.

        Raises
        ------
        FailedError
            Another run is at work.
        """
        with locked_folder(self.folder):
            yield

    def places(self) -> dict[bytes, int]:
        """Return the place of every digest."""
        rows = np.asarray(self._arrays["digest"][:])
        return {row.tobytes(): slot for slot, row in enumerate(rows)}

    def grow(self, digests: Sequence[bytes], steps: int, traces: Sequence[str]) -> dict[bytes, int]:
        """Give places to tasks that have none, and return all places.

        Parameters
        ----------
        digests
            Of the tasks of a study.
        steps
            Of the longest cycle.
        traces
            Variables kept for every step.

        Notes
        -----
        The digests are written last. Where this is cut short, the places that were made without a
        digest are given away by the next run.
        """
        places = self.places()
        count = len(places)
        new = [digest for digest in dict.fromkeys(digests) if digest not in places]
        total = count + len(new)
        self._arrays[ROWS].resize((total, len(VALUES)))
        self._arrays["reason"].resize((total, REASON_BYTES))
        for name in traces:
            if name not in self.group:
                attrs = STEP_VARIABLES[name]._asdict()
                dims = "task", "step"
                _array(self.group, name, (0, steps), (1, steps), dims, attributes=attrs)
            array = self.group[name]
            array.resize((total, max(steps, array.shape[1])))
        if new:
            rows = np.frombuffer(b"".join(new), dtype=np.uint8).reshape(-1, 32)
            self._arrays["digest"].resize((total, 32))
            self._arrays["digest"][count:] = rows
        return places | {digest: count + i for i, digest in enumerate(new)}

    def label(self, columns: Mapping[str, Sequence[Any]]) -> None:
        """Write what each place stands for, as variables over the dim `task` for other readers."""
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of files that do not belong here
            arrays = list(self.group.arrays())
        for name, old in arrays:
            if old.metadata.dimension_names == ("task",) and name not in columns:
                del self.group[name]
        for name, values in columns.items():
            array = np.asarray(values)
            kind = "float64" if array.dtype.kind in "fiu" else "string"
            self.group.create_array(
                name,
                shape=array.shape,
                chunks=(max(array.size, 1),),
                dtype=kind,
                dimension_names=("task",),
                overwrite=True,
            )
            self.group[name][:] = array.astype(object) if kind == "string" else array

    def has(self, slot: int) -> bool:
        """Return whether a task is done."""
        piece = self._piece(slot)
        return piece.exists() and piece.stat().st_size == PIECE_BYTES

    def done(self) -> set[int]:
        """Return the places that are done, without opening a piece.

        A piece that a loss of power cut short does not count, so that its task is done again.
        """
        with os.scandir(self.pieces) as entries:
            found = ((_PIECE.fullmatch(entry.name), entry) for entry in entries)
            return {int(m[1]) for m, entry in found if m and entry.stat().st_size == PIECE_BYTES}

    def write(self, outcome: TaskOutcome) -> None:
        """Write the piece of a task; its row of values comes last.

        Raises
        ------
        FailedError
            The system refused.
        """
        slot = outcome.slot
        try:
            if outcome.reason:
                text = outcome.reason.encode()[:REASON_BYTES].ljust(REASON_BYTES, b"\0")
                self._arrays["reason"][slot] = np.frombuffer(text, dtype=np.uint8)
            for name, values in outcome.traces.items():
                array = self.group[name]
                room = array.shape[1] - values.size
                array[slot] = np.pad(values.astype(float), (0, room), constant_values=np.nan)
            self._arrays[ROWS][slot] = outcome.row
        except OSError as error:
            raise FailedError(f"{self.folder}: could not be written ({error.strerror})") from None

    def forget(self, slot: int) -> None:
        """Take a task's row away, so that it is done again."""
        self._piece(slot).unlink(missing_ok=True)

    def rows(self) -> np.ndarray:
        """Return all rows of values, (places, values); NaN where a task waits."""
        return self.trace(ROWS)

    def reasons(self, slots: Sequence[int]) -> list[str]:
        """Return why tasks failed."""
        with self._guarded("reason"):
            rows = [np.asarray(self._arrays["reason"][slot]) for slot in slots]
        return [row.tobytes().rstrip(b"\0").decode(errors="replace") for row in rows]

    def trace(self, name: str) -> np.ndarray:
        """Return a variable of every step, (places, steps); NaN behind the end of a cycle."""
        with self._guarded(name):
            return np.asarray(self.group[name][:])

    @contextlib.contextmanager
    def _guarded(self, name: str) -> Iterator[None]:
        """Turn what a damaged piece of an array raises, many kinds, into one sentence."""
        try:
            yield
        except Exception as error:
            raise FailedError(
                f"{self.folder}/{name}: a piece is damaged ({type(error).__name__}); run the study "
                "again, and if that does not mend it, delete the store"
            ) from None

    def _piece(self, slot: int) -> Path:
        return self.pieces / f"c.{slot}.0"


_BEGUN = {"zarr.json", NAMES, "digest", "reason", ROWS}


def _make(folder: Path) -> None:
    """Make an empty store; the rows come last, so that a store without them is made again."""
    folder.mkdir(parents=False, exist_ok=True)
    attributes: dict[str, Any] = {
        "kind": KIND,
        ROWS: list(VALUES),
        "caution": CAUTION,
        "units": {name: quantity.unit for name, quantity in VALUES.items()},
    }
    group: Any = zarr.open_group(folder, mode="a", attributes=attributes)
    group.attrs.update(attributes)
    _array(group, "digest", (0, 32), (DIGESTS_PER_CHUNK, 32), ("task", "digest_byte"), "uint8")
    _array(group, "reason", (0, REASON_BYTES), (1, REASON_BYTES), ("task", "reason_byte"), "uint8")
    names = group.create_array(
        NAMES,
        shape=(len(VALUES),),
        chunks=(len(VALUES),),
        dtype="string",
        dimension_names=(NAMES,),
        overwrite=True,
    )
    names[:] = np.array(list(VALUES), dtype=object)
    _array(group, ROWS, (0, len(VALUES)), (1, len(VALUES)), ("task", NAMES))


def _array(
    group: Any,
    name: str,
    shape: tuple[int, int],
    chunks: tuple[int, int],
    dims: tuple[str, str],
    dtype: str = "float64",
    attributes: dict[str, Any] | None = None,
) -> None:
    group.create_array(
        name,
        shape=shape,
        chunks=chunks,
        dtype=dtype,
        dimension_names=dims,
        overwrite=True,
        fill_value=np.nan if dtype == "float64" else 0,
        chunk_key_encoding=_DOTS,
        compressors=None if name == ROWS else "auto",
        attributes=attributes,
    )
