"""Every command has --json, and what it prints then is JSON alone."""

import json

import click
import pytest
from click.testing import CliRunner
from rule_tables import hand_made

from hybridopt.cli.main import main
from hybridopt.tables.files import write_json


def commands(group=main, path=()):
    """Yield the path of every command that does something, and the command."""
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from commands(command, (*path, name))
        else:
            yield (*path, name), command


@pytest.mark.parametrize(("path", "command"), list(commands()), ids=lambda one: str(one))
def test_every_command_has_json(path, command):
    assert any("--json" in option.opts for option in command.params)


@pytest.mark.long
def test_commands_that_write_say_so_in_json(tmp_path):
    """Here the quick ones: export, plot and guide; the others are tested where they are."""
    rules, out, picture = (tmp_path / name for name in ("rules.json", "copy.nc", "tables.png"))
    write_json(hand_made(), rules)
    for arguments, files in (
        (("export", rules, "--format", "netcdf", "--out", out), [str(out)]),
        (("plot", rules, "--kind", "tables", "--out", picture), [str(picture)]),
        (("guide",), None),
        (("guide", "glossary"), None),
    ):
        outcome = CliRunner().invoke(main, [*map(str, arguments), "--json"])
        assert outcome.exit_code == 0, outcome.output
        record = json.loads(outcome.stdout)
        assert record.get("files") == files
    assert "equal SoC" in record["text"]
