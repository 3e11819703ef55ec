"""`hybridopt cycles` and `hybridopt drivelines`: what ships with the package."""

import json
from pathlib import Path
from typing import Any

import click

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..files.writing import bytes_writer, write_together
from ..text.table import table, terminal_width
from .guide import FOLDER
from .options import flag_option, json_list_option, overwrite_option, refuse_idle
from .output_folder import make_folder, plan_targets


@click.command(epilog="\b\nExample:\n  hybridopt cycles")
@json_list_option
def cycles(as_json: bool) -> None:
    """List the cycles known by name: schedules, recorded drives."""
    from ..inputs.catalogue import cycle_kind, cycle_names
    from ..inputs.cycle import read_cycle

    records: list[dict[str, Any]] = [
        {
            "name": cycle.name,
            "title": cycle.title,
            "kind": cycle_kind(cycle.name),
            "duration_s": cycle.duration,
            "distance_km": cycle.distance / 1e3,
            "max_speed_km_per_h": cycle.max_speed / KM_PER_H,
            "source": cycle.source,
        }
        for cycle in map(read_cycle, cycle_names())
    ]
    if as_json:
        click.echo(json.dumps(records))
        return
    rows = [
        [
            record["name"],
            f"{record['duration_s']:.0f}",
            f"{record['distance_km']:.3f}",
            f"{record['max_speed_km_per_h']:.1f}",
            record["source"],
        ]
        for record in records
    ]
    header = ("name", "duration s", "distance km", "max km/h", "source")
    click.echo(table(header, rows, terminal_width()))


DRIVELINES_EXAMPLES = """\b
Examples:
  hybridopt drivelines
  hybridopt drivelines --copy full my_car
  hybridopt drivelines --keys
"""


@click.command(
    short_help="List demo drivelines, copy one, list all keys.", epilog=DRIVELINES_EXAMPLES
)
@click.option(
    "--copy",
    type=(str, click.Path(path_type=Path)),
    metavar="NAME FOLDER",
    help="Copy a demo driveline with all its maps into a folder, to begin from.",
)
@flag_option("--keys", "List the keys of a driveline file with range, default and meaning.")
@overwrite_option
@json_list_option
def drivelines(copy: tuple[str, Path] | None, keys: bool, overwrite: bool, as_json: bool) -> None:
    """List the demo drivelines that `solve` knows by name, or help to make one's own."""
    if copy is not None and keys:
        raise InputError("--copy and --keys are two questions; ask one")
    if copy is not None:
        files = _copy(*copy, overwrite)
        lines = [f"wrote {path}" for path in files]
        click.echo(json.dumps([str(path) for path in files]) if as_json else "\n".join(lines))
        return
    refuse_idle("without --copy", "overwrite")
    if keys:
        records = _keys()
    else:
        from ..inputs.driveline_file import driveline_names, read_driveline

        records = [{"name": n, "title": read_driveline(n).title} for n in driveline_names()]
    if as_json:
        click.echo(json.dumps(records))
        return
    header = [name.replace("_", " ") for name in records[0]]
    click.echo(table(header, [list(record.values()) for record in records], terminal_width()))


def _copy(name: str, folder: Path, overwrite: bool) -> list[Path]:
    """Write the files of a driveline into a folder, and return them."""
    from ..inputs.driveline_copy import demo_files

    texts = demo_files(name)
    files = plan_targets("--copy", folder, texts, overwrite)
    make_folder(folder)
    writers = [bytes_writer(text.encode()) for text in texts.values()]
    write_together(list(zip(files, writers, strict=True)), overwrite)
    return files


def _keys() -> list[dict[str, str]]:
    """Return the rows of the guide's tables of keys; a test holds them to the code."""
    text = (FOLDER / "vehicle.md").read_text(encoding="utf-8")
    rows, tables = [], ""
    for line in text[text.index("## Keys") : text.index("## Maps")].splitlines():
        cells = [cell.strip().replace("`", "") for cell in line.strip("|").split("|")]
        if line.startswith("### "):
            tables = line.removeprefix("### ").replace("`", "")
        elif line.startswith("| `"):
            key, allowed, default, meaning = cells
            rows.append(
                {
                    "table": tables,
                    "key": key,
                    "range": allowed,
                    "if_left_out": default,
                    "meaning": meaning,
                }
            )
    return rows
