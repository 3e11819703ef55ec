"""Where rule tables under edit break what is asked of them, cell by cell."""

from typing import NamedTuple

from ..base.errors import InputError
from ..tables.form import check_content
from ..tables.rule_set import RuleSet


class BrokenLimit(NamedTuple):
    """A limit that is broken: table and cell, both empty for all; a sentence."""

    table: str
    cell: tuple[int, ...]
    text: str


def broken_limits(rule_set: RuleSet) -> list[BrokenLimit]:
    """Return what is wrong with the tables; empty where nothing is."""
    try:
        check_content(rule_set)
    except InputError as error:
        return [BrokenLimit("", (), str(error))]
    return []
