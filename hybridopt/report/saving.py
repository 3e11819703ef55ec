"""A report as a file: a page or a PDF, by the name's suffix."""

from collections.abc import Sequence
from pathlib import Path

from ..base.errors import InputError
from ..files.writing import bytes_writer, check_target, write_atomically
from ..tables.files import read_rule_set
from ..tables.rule_set import RuleSet
from .contents import Contents, read_comparison, read_entry

SUFFIXES = (".html", ".pdf")


def save_report(
    results: Sequence[str | Path],
    path: str | Path,
    *,
    driveline: str | None = None,
    comparison: str | Path | None = None,
    rule_set: RuleSet | str | Path | None = None,
    overwrite: bool = False,
) -> int:
    """Put results into one file to look at and to hand on.

    Parameters
    ----------
    results
        NetCDF files of results.
    path
        File to write: `.html` is a page that loads nothing else, `.pdf` a PDF.
    driveline
        Name or file of the driveline of all results, for its maps; by default the demo driveline
        of the name in each result, if it is the same.
    comparison
        JSON file that `hybridopt compare --json` printed.
    rule_set
        Rule tables, or their file or folder.
    overwrite
        Whether a file that is there already is replaced.

    Returns
    -------
    int
        Size of the file, bytes.

    Raises
    ------
    InputError
        An input is missing or wrong, `path` has another suffix, or the file exists already.
    FailedError
        The system refused to write it.
    """
    path = Path(path)
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(f"{path}: give a name that ends in .html or .pdf")
    check_target(path, overwrite)
    contents = Contents(
        entries=[read_entry(result, driveline) for result in results],
        scores=read_comparison(comparison) if comparison else (),
        rule_set=read_rule_set(rule_set) if isinstance(rule_set, str | Path) else rule_set,
    )
    content = _content(contents, path.suffix.lower())
    write_atomically(path, bytes_writer(content), overwrite)
    return len(content)


def _content(contents: Contents, suffix: str) -> bytes:
    if suffix == ".pdf":
        from .pdf import report_pdf

        return report_pdf(contents)
    from .page import report_page

    return report_page(contents).encode()
