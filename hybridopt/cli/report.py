"""`hybridopt report`: results, comparison and rule tables as one page or PDF."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..files.writing import bytes_writer, write_atomically
from .options import check_file, overwrite_option, path_option

if TYPE_CHECKING:
    from ..tables.rule_set import RuleSet

EXAMPLES = """\b
Examples:
  hybridopt report out/wltc_class3b_full.nc --out report.html
  hybridopt report out/*.nc --comparison compare.json --tables rules.json --out report.html
  hybridopt report out/udds_full.nc --out report.pdf
"""


@click.command(short_help="Make a page or PDF of results.", epilog=EXAMPLES)
@click.argument("results", nargs=-1, required=True, metavar="RESULT...")
@path_option("--out", "FILE", "File to write; ends in .html or .pdf.", required=True)
@click.option("--comparison", metavar="FILE", help="What `hybridopt compare --json` printed.")
@click.option(
    "--tables", metavar="TABLES", help="Rule tables (.json, .nc or a folder of CSV files)."
)
@click.option(
    "--driveline",
    metavar="NAME|FILE",
    help="Driveline of all results, for its maps, where it is not a demo driveline.",
)
@overwrite_option
def report(
    results: tuple[str, ...],
    out: Path,
    comparison: str | None,
    tables: str | None,
    driveline: str | None,
    overwrite: bool,
) -> None:
    """Put RESULTs (.nc) into one file to look at and to pass on.

    The page (.html) holds all it needs and loads nothing; its charts have a linked time cursor.
    """
    kind = check_file("--out", out, (".html", ".pdf"), overwrite)
    from ..report.contents import Contents, read_comparison, read_entry

    contents = Contents(
        entries=[read_entry(path, driveline) for path in results],
        scores=read_comparison(comparison) if comparison else (),
        rule_set=_read_tables(tables),
    )
    if kind == ".pdf":
        from ..report.pdf import report_pdf

        content = report_pdf(contents)
    else:
        from ..report.page import report_page

        content = report_page(contents).encode()
    write_atomically(out, bytes_writer(content), overwrite)
    click.echo(f"wrote {out} ({len(content) / 1e6:.1f} MB)")


def _read_tables(tables: str | None) -> "RuleSet | None":
    if tables is None:
        return None
    from ..tables.files import read_rule_set

    return read_rule_set(tables)
