"""`hybridopt guide`: topics of a folder, on a pipe and on a terminal; guides are installed."""

import sys
import tomllib
from pathlib import Path

import click
import pytest
from commands import assert_one_sentence, run

from hybridopt.cli import guide as guide_module


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "first_steps.md").write_text(
        "# First steps: a solve in 5 km\u00b2\n\nText.\n", "utf-8"
    )
    (tmp_path / "settings.md").write_text("# Settings\n\nMore.\n", "utf-8")
    (tmp_path / "note.txt").write_text("no guide\n")
    monkeypatch.setattr(guide_module, "FOLDER", tmp_path)


def test_topics_are_listed_with_their_first_line(folder):
    head, *lines = run("guide").stdout.splitlines()
    assert head.split() == ["topic", "about"]
    assert [line.split(maxsplit=1) for line in lines] == [
        ["first_steps", "First steps: a solve in 5 km\u00b2"],
        ["settings", "Settings"],
    ]


def test_topic_is_shown_as_it_is(folder):
    outcome = run("guide", "settings")
    assert (outcome.exit_code, outcome.stdout, outcome.stderr) == (0, "# Settings\n\nMore.\n", "")


def test_a_terminal_gets_pages(folder, monkeypatch):
    shown = []
    monkeypatch.setattr(click, "echo_via_pager", shown.append)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    guide_module.guide.callback("settings", as_json=False)
    assert shown == ["# Settings\n\nMore.\n"]


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("setings", ("'setings'", "did you mean settings?")),
        ("xyz", ("'xyz'", "topics: first_steps, settings")),
        ("../settings", ("there is no guide",)),
    ],
)
def test_unknown_topic_is_one_sentence(folder, topic, words):
    assert_one_sentence(run("guide", topic), *words)


def test_guides_are_in_the_package():
    """The wheel takes all files of the package's folder, guides too, unless git ignores them."""
    root = Path(__file__).parents[2]
    build = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]
    wheel = build["build"]["targets"]["wheel"]
    assert wheel["packages"] == ["hybridopt"] and not {"exclude", "only-include"} & wheel.keys()
    assert guide_module.FOLDER == root / "hybridopt" / "guide"
    assert "commands" in run("guide").stdout
    assert run("guide", "commands").stdout.startswith("# ")
