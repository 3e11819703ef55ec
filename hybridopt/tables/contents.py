"""What files of tables may hold: rule tables, or what the predictive controller knows."""

from collections.abc import Mapping
from typing import Any

from ..base.errors import InputError
from ..inputs.fields import shown
from .preview_set import PreviewSet
from .rule_set import RuleSet

Made = RuleSet | PreviewSet
KINDS: dict[str, type[RuleSet] | type[PreviewSet]] = {
    made.form.kind: made for made in (RuleSet, PreviewSet)
}
"""What is made of a file, by the kind that it states."""


def kind_of(record: Mapping[str, Any], place: str) -> type[RuleSet] | type[PreviewSet]:
    """Return what a file holds, by what it says of itself.

    Raises
    ------
    InputError
        It is no kind of tables.
    """
    kind = record.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        nouns = " or ".join(made.form.noun for made in KINDS.values())
        raise InputError(
            f"{place}: is no file of {nouns} (kind is {shown(kind)}); give one that hybridopt "
            "export wrote"
        )
    return KINDS[kind]
