"""`hybridopt report`: results, comparison and rule tables as one page or PDF."""

from pathlib import Path

import click

from .options import json_option, overwrite_option, path_option, wrote

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
    "--tables", metavar="TABLES", help="Rule tables (.json, .nc, .cdfx or a folder of CSV files)."
)
@click.option(
    "--driveline",
    metavar="NAME|FILE",
    help="Driveline of all results, for its maps, where it is not a demo driveline.",
)
@overwrite_option
@json_option
def report(
    results: tuple[str, ...],
    out: Path,
    comparison: str | None,
    tables: str | None,
    driveline: str | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Put RESULTs (.nc) into one file to look at and to pass on.

    The page (.html) holds all it needs and loads nothing; its charts have a linked time cursor. The
    PDF (.pdf, needs hybridopt[pdf]) is A4 upright, with contents and numbered figures.
    """
    from ..report.saving import save_report

    size = save_report(
        results,
        out,
        driveline=driveline,
        comparison=comparison,
        rule_set=tables,
        overwrite=overwrite,
    )
    wrote(as_json, [out], f" ({size / 1e6:.1f} MB)")
