"""`hybridopt report`: results, comparison and rule tables as one page or PDF."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..base.errors import InputError
from ..files.writing import check_target, write_atomically

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
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="File to write; ends in .html or .pdf.",
)
@click.option("--comparison", metavar="FILE", help="What `hybridopt compare --json` printed.")
@click.option(
    "--tables", metavar="TABLES", help="Rule tables (.json, .nc or a folder of CSV files)."
)
@click.option(
    "--driveline",
    metavar="NAME|FILE",
    help="Driveline of all results, for its maps, where it is not a demo driveline.",
)
@click.option("--overwrite", is_flag=True, help="Replace the file if it is there already.")
def report(
    results: tuple[str, ...],
    out: Path,
    comparison: str | None,
    tables: str | None,
    driveline: str | None,
    overwrite: bool,
) -> None:
    """Put RESULTs (.nc) into one file to look at and to hand on.

    The page (.html) holds all it needs and loads nothing; its charts have a linked time cursor.
    """
    kind = out.suffix.lower()
    if kind not in (".html", ".pdf"):
        raise InputError(f"--out {out}: give a name that ends in .html or .pdf")
    check_target(out, overwrite)
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
    write_atomically(out, lambda path: path.write_bytes(content), overwrite)
    click.echo(f"wrote {out} ({len(content) / 1e6:.1f} MB)")


def _read_tables(tables: str | None) -> "RuleSet | None":
    if tables is None:
        return None
    from ..tables.files import read_rule_set

    return read_rule_set(tables)
