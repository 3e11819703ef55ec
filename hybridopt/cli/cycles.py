"""`hybridopt cycles` and `hybridopt drivelines`: what ships with the package."""

import json
from typing import Any

import click

from ..base.units import KM_PER_H
from ..text.table import table, terminal_width
from .options import json_list_option


@click.command(epilog="\b\nExample:\n  hybridopt cycles")
@json_list_option
def cycles(as_json: bool) -> None:
    """List the schedules that `solve` knows by name."""
    from ..inputs.cycle import cycle_names, read_cycle

    records: list[dict[str, Any]] = [
        {
            "name": cycle.name,
            "title": cycle.title,
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


@click.command(epilog="\b\nExample:\n  hybridopt drivelines")
@json_list_option
def drivelines(as_json: bool) -> None:
    """List the demo drivelines that `solve` knows by name."""
    from ..inputs.driveline_file import driveline_names, read_driveline

    titles = {name: read_driveline(name).title for name in driveline_names()}
    if as_json:
        records = [{"name": name, "title": title} for name, title in titles.items()]
        click.echo(json.dumps(records))
        return
    click.echo(table(("name", "title"), list(titles.items()), terminal_width()))
