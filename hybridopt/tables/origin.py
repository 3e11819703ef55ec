"""The origin of rule tables, as it is written into files and read back."""

import re
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

from ..base.cautions import TABLES_CAUTION
from ..base.errors import InputError
from ..inputs.fields import shown
from .form import Content
from .rule_set import Origin
from .shape import ShapeLimits

DIGEST = "figures_sha256"
MAX_TEXT = 500  # characters


def origin_record(content: Content, digest: str) -> dict[str, Any]:
    """Return what every file says of the origin of its tables.

    Parameters
    ----------
    content
        What is written.
    digest
        Of all its values, as they are in the file.
    """
    origin = content.origin
    record = {f.name: getattr(origin, f.name) for f in fields(Origin)}
    record = {key: one_line(x) if isinstance(x, str) else x for key, x in record.items()}
    shape = record.pop("shape")
    if shape is not None:
        record["shape"] = shape.text
    cycles = [one_line(name) for name in origin.cycles]
    kind = content.form.kind
    return {"kind": kind, **record, "cycles": cycles, DIGEST: digest, "caution": TABLES_CAUTION}


def read_origin(record: Mapping[str, Any], digest: str, place: str) -> Origin:
    """Return the origin that a file states; it is marked as edited if its values changed.

    Parameters
    ----------
    record
        What :func:`origin_record` gave.
    digest
        Of the values that were read.
    place
        File, for messages.

    Raises
    ------
    InputError
        A text is missing or wrong.
    """
    cycles = record.get("cycles")
    if not isinstance(cycles, list) or not all(_is_line(name) for name in cycles):
        raise InputError(f"{place}: cycles is {shown(cycles)}; write a list of names")
    origin = Origin(
        title=_line(record, "title", place),
        driveline=_line(record, "driveline", place),
        cycles=tuple(cycles),
        training=_line(record, "training", place),
        version=_line(record, "version", place),
        shape=ShapeLimits.of_text(_line(record, "shape", place), place)
        if "shape" in record
        else None,
    )
    if not re.fullmatch(r"([0-9a-f]{64})?", origin.training):
        raise InputError(
            f"{place}: training is {shown(origin.training)}; write the 64 hexadecimal digits of "
            "the hash, or nothing"
        )
    kept = record.get("edited") is False and record.get(DIGEST) == digest
    return replace(origin, edited=not kept)


def one_line(text: str) -> str:
    """Return a text as one printable line of at most 500 characters."""
    return "".join(c if c.isprintable() else " " for c in text)[:MAX_TEXT]


def xml_line(text: str) -> str:
    """Return a text as one line that XML can hold."""
    return "".join(c for c in one_line(text) if ord(c) < 0xFFFE and not 0xD800 <= ord(c) < 0xE000)


def _line(record: Mapping[str, Any], key: str, place: str) -> str:
    text = record.get(key)
    if not _is_line(text):
        raise InputError(f"{place}: {key} is {shown(text)}; write one line of text")
    return str(text)


def _is_line(text: Any) -> bool:
    return isinstance(text, str) and text == one_line(text)
