"""The reference of the commands is that of the program, and complete."""

import re

from hybridopt.cli.guide import FOLDER
from hybridopt.cli.main import main
from hybridopt.cli.reference import reference
from hybridopt.problem.settings import SETTINGS

DOCUMENT = FOLDER / "commands.md"


def test_document_is_up_to_date():
    """When it is not: python -m hybridopt.cli.reference > hybridopt/guide/commands.md."""
    assert DOCUMENT.read_text(encoding="utf-8") == reference()


def test_every_command_and_option_is_there():
    text = reference()
    for name, command in main.commands.items():
        assert f"\n## hybridopt {name}\n" in text
        for option in command.params:
            assert all(flag in text for flag in option.opts if flag.startswith("--"))


def test_every_command_has_an_example():
    """Its own, or one of the group it belongs to."""
    pieces = re.split(r"^## (.+)$", reference(), flags=re.MULTILINE)[1:]
    sections = dict(zip(pieces[::2], pieces[1::2], strict=True))
    settings = sections.pop("Settings")
    assert all(f"`{setting.option}`" in settings for setting in SETTINGS.values())
    without = {name for name, text in sections.items() if "  Example" not in text}
    groups = {"hybridopt cycle"}
    assert len(sections) > 10
    assert {name for name in without if name.rpartition(" ")[0] in without} == set()
    assert {name for name in without if name.count(" ") == 1} <= groups
