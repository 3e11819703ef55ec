"""`hybridopt verify`: rule tables in closed loop on any cycles, against the bound of each."""

from pathlib import Path
from typing import Any

import click

from ..base.errors import FailedError
from ..files.writing import file_stem
from .options import Output, driveline_option, finish, flag_option, output_options, refuse_idle
from .settings_options import make_settings, settings_options
from .tracks import achievable_option, read_tracks

EXAMPLES = """\b
Examples:
  hybridopt verify rules.json udds hwfet
  hybridopt verify rules.json nedc --change "mass +10 %" --change "grade +1 %"
  hybridopt verify edited_tables udds --all-changes --out results
"""


@click.command(short_help="Drive rule tables on cycles, against the bound.", epilog=EXAMPLES)
@click.argument("tables", type=click.Path(path_type=Path), metavar="TABLES")
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@driveline_option
@click.option(
    "--change",
    "changes",
    multiple=True,
    metavar="NAME",
    help="Also drive with this change; an unknown name lists them all.",
)
@flag_option("--all-changes", "Drive with every change, each on its own.")
@achievable_option
@output_options("Write the checks there (.csv).")
@settings_options
def verify(
    tables: Path,
    cycles: tuple[str, ...],
    driveline: str,
    changes: tuple[str, ...],
    all_changes: bool,
    achievable: bool,
    output: Output,
    **given: Any,
) -> None:
    """Drive each CYCLE with rule TABLES, and measure them against optimum and bound.

    TABLES are a .json or .nc file or a folder of CSV files, also edited by hand. Cycles they were
    trained on are shown apart from unseen ones. The exit code is 1 when one could not be driven.
    """
    if all_changes:
        refuse_idle("with --all-changes", "changes")
    from ..distillation.verify import CHANGES
    from ..distillation.verify import verify as run
    from ..inputs.driveline_file import read_driveline
    from ..tables.files import read_rule_set
    from ..text.verification import check_record, checks_writer, verification_text

    settings = make_settings(given)
    rules, vehicle = read_rule_set(tables), read_driveline(driveline)
    tracks = read_tracks(cycles, vehicle, settings, achievable, output.silent)
    files = output.plan(f"verify_{file_stem(tables.stem)}", (".csv",))
    wanted = tuple(CHANGES) if all_changes else changes
    with output.progress("verifying") as progress:
        checks = run(rules, tracks, vehicle, settings, wanted, progress)
    output.write(files, lambda: (checks_writer(checks),))
    edited = "These tables were edited by hand since they were made.\n\n"
    note = edited if rules.origin.edited else ""
    finish(
        output.as_json,
        files,
        lambda: {"checks": [check_record(check) for check in checks]},
        lambda: note + verification_text(checks),
    )
    if any(check.failure for check in checks):
        raise click.exceptions.Exit(FailedError.exit_code)
