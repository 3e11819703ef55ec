"""The inputs of a result, found again by name or path and proved to be the same by their hashes."""

from ..base.errors import InputError
from ..inputs.cycle import Cycle, read_cycle
from ..inputs.driveline import Driveline
from ..inputs.driveline_file import read_driveline
from ..optimum.optimum import Optimum
from ..optimum.result import Result
from ..pipeline import find_optimum


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
    attrs = result.dataset.attrs
    name = _name(result, "driveline") if source is None else source
    try:
        found = read_driveline(name)
    except InputError as error:
        raise _absent("driveline", name, source, error) from None
    if found.sha256 != attrs.get("driveline_sha256"):
        raise _other("driveline", name)
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
    name = _name(result, "cycle") if source is None else source
    try:
        found = read_cycle(name)
    except InputError as error:
        raise _absent("cycle", name, source, error) from None
    if found.sha256 != result.dataset.attrs.get("cycle_sha256"):
        raise _other("cycle", name)
    return found


def repeat_solve(result: Result, cycle: Cycle, driveline: Driveline) -> Optimum:
    """Solve again what a result was solved from, and keep all that leads to it.

    Parameters
    ----------
    result
        What was solved.
    cycle, driveline
        From :func:`recall_cycle` and :func:`recall_driveline`.

    Returns
    -------
    Optimum
        With its bound.
    """
    return find_optimum(cycle, driveline, result.settings)


def _name(result: Result, key: str) -> str:
    return str(result.dataset.attrs.get(key, ""))


def _absent(what: str, name: str, source: str | None, error: InputError) -> InputError:
    if source is not None:
        return error
    return InputError(
        f"the {what} {name[:60]!r} of the result is not shipped; name its file with --{what} FILE"
    )


def _other(what: str, name: str) -> InputError:
    return InputError(
        f"--{what} {name[:200]}: is not the {what} the result was solved with (other SHA-256); "
        "give that one, or solve again"
    )
