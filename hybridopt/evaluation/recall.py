"""The inputs of a result, found again by name or path and proved the same by their hashes."""

from collections.abc import Callable
from typing import Any

from ..base.errors import InputError
from ..inputs.cycle import Cycle, read_cycle
from ..inputs.driveline import Driveline
from ..inputs.driveline_file import read_driveline
from ..optimum.result import Result


def recall_driveline(result: Result, source: str | None = None) -> Driveline:
    """Return the driveline of a result.

    Parameters
    ----------
    result
        What was solved.
    source
        Name or path; the name in the result when not given.

    Returns
    -------
    Driveline
        With the same SHA-256 as in the result.

    Raises
    ------
    InputError
        There is no such driveline, or it is not the one of the result.
    """
    found: Driveline = _recall("driveline", read_driveline, result, source)
    return found


def recall_cycle(result: Result, source: str | None = None) -> Cycle:
    """Return the cycle of a result.

    Parameters
    ----------
    result
        What was solved.
    source
        Name or path; the name in the result when not given.

    Returns
    -------
    Cycle
        With the same SHA-256 as in the result.

    Raises
    ------
    InputError
        There is no such cycle, or it is not the one of the result.
    """
    found: Cycle = _recall("cycle", read_cycle, result, source)
    return found


def _recall(what: str, read: Callable[[str], Any], result: Result, source: str | None) -> Any:
    attrs = result.dataset.attrs
    name = str(attrs.get(what, "")) if source is None else source
    try:
        found = read(name)
    except InputError:
        if source is not None:
            raise
        raise InputError(
            f"the {what} {name[:60]!r} of the result is not shipped; name its file with "
            f"--{what} FILE"
        ) from None
    if found.sha256 != attrs.get(f"{what}_sha256"):
        raise InputError(
            f"--{what} {name[:200]}: is not the {what} the result was solved with (other SHA-256); "
            "give that one, or solve again"
        )
    return found
