"""`hybridopt verify`: tables in closed loop on any cycles, against the bound of each."""

import functools
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import FailedError
from ..files.writing import file_stem
from .options import Output, driveline_option, finish, flag_option, output_options, refuse_idle
from .preview_options import PREVIEW, Foresight, preview_options, refuse_idle_preview
from .settings_options import make_settings, settings_options
from .tracks import achievable_option, read_tracks

if TYPE_CHECKING:
    from ..base.progress import Progress
    from ..controllers.preview import Preview
    from ..inputs.cycle import Cycle
    from ..inputs.driveline import Driveline
    from ..problem.settings import Settings

EXAMPLES = """\b
Examples:
  hybridopt verify rules.json udds hwfet
  hybridopt verify rules.json nedc --change "mass +10 %" --change "grade +1 %"
  hybridopt verify edited_tables udds --all-changes --out results
  hybridopt verify preview udds hwfet --preview-horizon-s 3 --change "mass +10 %"
"""


@click.command(short_help="Drive tables on cycles, against the bound.", epilog=EXAMPLES)
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
@click.option(
    "--train",
    multiple=True,
    metavar="CYCLE",
    help="Make the maps of `preview` from this cycle; repeat for more (default: the shipped "
    "training cycles).",
)
@preview_options
@achievable_option
@output_options("Write the checks there (.csv).")
@settings_options
def verify(
    tables: Path,
    cycles: tuple[str, ...],
    driveline: str,
    changes: tuple[str, ...],
    all_changes: bool,
    train: tuple[str, ...],
    foresight: Foresight,
    achievable: bool,
    output: Output,
    **given: Any,
) -> None:
    """Drive each CYCLE with rule TABLES or preview maps, against optimum and bound.

    TABLES are a .json, .nc or .cdfx file or a folder of CSV files, also edited by hand, or the word
    preview: the predictive controller. Cycles they were trained on are shown apart from unseen
    ones. Values that break the limits on shape the tables were made for are named. The exit code is
    1 when a cycle could not be driven.
    """
    if all_changes:
        refuse_idle("with --all-changes", "changes")
    from ..base.progress import part_of, silent
    from ..distillation.verify import changes_for
    from ..distillation.verify import verify as run
    from ..foresight.preview_maps import TRAINING
    from ..inputs.driveline_file import read_driveline
    from ..tables.files import read_tables
    from ..tables.rule_set import RuleSet
    from ..tables.shape_faults import shape_faults
    from ..tables.short_times import short_times
    from ..text.verification import (
        check_record,
        checks_writer,
        fault_record,
        shape_text,
        times_text,
        verification_text,
    )

    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    previews = str(tables) == PREVIEW
    if not previews:
        refuse_idle_preview()
        refuse_idle("without the controller preview", "train")
    rules = None if previews else read_tables(tables)
    read = functools.partial(
        read_tracks, vehicle=vehicle, settings=settings, achievable=achievable, quiet=output.silent
    )
    tracks = read(cycles)
    files = output.plan(f"verify_{file_stem(tables.stem)}", (".csv",))
    with output.progress("verifying") as progress:
        shares = (part_of(progress, 0.0, 0.5), part_of(progress, 0.5, 1.0))
        before, after = (silent, progress) if rules else shares
        training = () if rules else read(train or TRAINING)
        verified = rules or _preview(training, vehicle, settings, foresight, before)
        wanted = changes_for(verified) if all_changes else changes
        checks = run(verified, tracks, vehicle, settings, wanted, after)
    output.write(files, lambda: (checks_writer(checks),))
    edited = "These tables were edited by hand since they were made.\n\n"
    note = edited if rules is not None and rules.origin.edited else ""
    record: dict[str, Any] = {"checks": [check_record(check) for check in checks]}
    if isinstance(rules, RuleSet):
        faults = shape_faults(rules, vehicle)
        short = short_times(rules, settings.resolved(vehicle))
        texts = shape_text(rules, faults), times_text(short)
        note += "".join(f"{text}\n\n" for text in texts if text)
        record["short_times"] = short
        record["shape_faults"] = [fault_record(fault) for fault in faults]
    finish(output.as_json, files, lambda: record, lambda: note + verification_text(checks))
    if any(check.failure for check in checks):
        raise click.exceptions.Exit(FailedError.exit_code)


def _preview(
    training: "Sequence[Cycle]",
    vehicle: "Driveline",
    settings: "Settings",
    foresight: Foresight,
    progress: "Progress",
) -> "Preview":
    """Return the predictive controller with maps made from training cycles."""
    from ..base.progress import part_of
    from ..controllers.preview import Preview
    from ..foresight.held_price import training_optimum
    from ..foresight.preview_maps import make_preview_maps

    resolved, size = settings.resolved(vehicle), len(training)
    optima = [
        training_optimum(cycle, vehicle, resolved, part_of(progress, i / size, (i + 1) / size))
        for i, cycle in enumerate(training)
    ]
    return foresight.given_to(Preview(maps=make_preview_maps(optima)))
