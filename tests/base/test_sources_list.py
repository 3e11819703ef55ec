"""The list of published sources holds what code and tests say, and they what it says."""

import re
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[2]
LIST = (ROOT / "tests" / "SOURCES.md").read_text(encoding="utf-8")
FILES = {
    path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8")
    for folder in ("hybridopt", "tests", "notebooks")
    for path in sorted((ROOT / folder).rglob("*"))
    if path.suffix in (".py", ".md", ".toml", ".ipynb")
    and path.name not in (Path(__file__).name, "SOURCES.md", "api.md")  # made from docstrings
}
RECALLED = re.compile(r"from[\s#]+memory")
DOI = re.compile(r"\b10\.\d{4,}/[^\s,;|`\"]+")
NEAR = 300  # characters on each side of a place in which its source is named
STATES = ("checked", "from memory")


class Row(NamedTuple):
    source: str
    named: str
    number: str
    taken: str
    files: list[str]
    status: str
    compared: str


def rows():
    """Return the rows of the table in tests/SOURCES.md."""
    cells = [line.strip("|").split("|") for line in LIST.splitlines() if line.startswith("|")]
    found = [[cell.strip() for cell in row] for row in cells[2:]]
    return [Row(*row[:4], re.findall(r"`([^`]+)`", row[4]), *row[5:]) for row in found]


def dois(text):
    """Return the DOIs in a text, without the punctuation that may follow them."""
    found = {doi.rstrip(".:") for doi in DOI.findall(text)}
    return {doi[:-1] if doi.count(")") > doi.count("(") else doi for doi in found}


def plain(text):
    """Return a text on one line, without marks and in small letters, to look for names in."""
    return re.sub(r"[\s#]+", " ", text).replace("*", "").replace("No. ", "").lower()


def recalled():
    """Return (file, text around) of each place that owns to being recalled."""
    places = []
    for name, text in FILES.items():
        for match in RECALLED.finditer(text):
            around = text[max(match.start() - NEAR, 0) : match.end() + NEAR]
            places.append((name, plain(around)))
    return places


def test_rows_are_whole_and_in_use():
    """Each row has a name, a state and files that exist and name the source."""
    assert len(rows()) > 20
    for row in rows():
        assert row.status in STATES and row.taken and row.files, row.source
        assert bool(row.compared) == (row.status == "checked"), row.source
        for name in row.files:
            assert name in FILES, f"{name} of {row.source} does not exist"
            assert plain(row.named) in plain(FILES[name]), f"{name} does not name {row.named}"


@pytest.mark.parametrize(("name", "around"), recalled())
def test_what_is_recalled_is_listed_as_such(name, around):
    listed = [row for row in rows() if row.status == "from memory" and name in row.files]
    assert any(plain(row.named) in around for row in listed), f"{name}: not in tests/SOURCES.md"


@pytest.mark.parametrize("row", [row for row in rows() if row.status == "from memory"])
def test_what_is_listed_as_recalled_says_so_where_it_is_used(row):
    places = recalled()
    for name in row.files:
        assert any(name == at and plain(row.named) in around for at, around in places), name


def test_numbers_of_documents_in_the_code_are_listed():
    for name, text in FILES.items():
        assert dois(text) <= dois(LIST), name


def test_listed_numbers_of_documents_stand_in_the_files_of_their_row():
    for row in rows():
        for doi in dois(row.number):
            assert any(doi in dois(FILES[name]) for name in row.files), doi
