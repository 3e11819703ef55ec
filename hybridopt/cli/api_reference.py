"""The reference of all public names; `python -m hybridopt.cli.api_reference` prints it."""

import ast
import enum
import importlib
import inspect
import re
from collections.abc import Iterator
from typing import Any, NamedTuple

import click

import hybridopt

from ..base.nomenclature import (
    BOUND_TOTALS,
    CHARGE_TOTALS,
    EMISSION_TOTALS,
    EQUAL_TOTALS,
    ROTOR_TOTALS,
    STEP_VARIABLES,
    THERMAL_TOTALS,
    TOTALS,
)

HEAD = """\
# Python API

Made by `python -m hybridopt.cli.api_reference > hybridopt/guide/api.md`; a test compares it.

Everything here is imported from `hybridopt` itself: `from hybridopt import solve_cycle`. Arrays and
numbers are in SI units unless the name says otherwise (`fuel_g`, `gap_percent`). What is wrong with
an input raises `InputError` with one sentence that says how to mend it.
"""
TITLES = {
    "pipeline problem optimum": "Solve",
    "inputs": "Cycles and drivelines",
    "physics": "Demand, operating points, replay and launches",
    "controllers evaluation": "Controllers and comparisons",
    "distillation tables exports": "Rule tables",
    "foresight": "What foresight is worth",
    "measurements measured_car": "Measurements",
    "study": "Studies",
    "plots": "Pictures",
    "text report": "Texts and reports",
    "base": "Errors and warnings",
}
"""Sections, by the rooms whose names they hold."""
VARIABLES = "Variables and totals of a result"
WIDTH = 100  # columns, as the formatter lays out signatures
ROLE = re.compile(r":\w+:`~?([^`]+)`")


class Item(NamedTuple):
    """One entry of a list in a docstring: its names, what stands behind a colon, and its text."""

    names: tuple[str, ...]
    kind: str
    text: str


class Documentation(NamedTuple):
    """A docstring in pieces: what stands before its sections, entries and texts of these."""

    text: str
    entries: dict[str, list[Item]]
    texts: dict[str, str]

    def named(self, *sections: str) -> dict[str, Item]:
        """Return the entries of some sections by each of their names."""
        found = (entry for section in sections for entry in self.entries.get(section, ()))
        return {name: entry for entry in found for name in entry.names}


def documentation(thing: Any, text: str | None = None) -> Documentation:
    """Return the docstring of a thing, laid out as numpydoc, in pieces."""
    text = inspect.getdoc(thing) or "" if text is None else inspect.cleandoc(text)
    head, *rest = re.split(r"^(\w[\w ]*)\n-{3,}\n", text, flags=re.MULTILINE)
    sections = dict(zip(rest[::2], rest[1::2], strict=True))
    texts = {name: body.strip() for name, body in sections.items() if name == "Notes"}
    entries = {
        name: list(_entries(body, name != "Returns"))
        for name, body in sections.items()
        if name not in texts
    }
    if inspect.isclass(thing) and "Parameters" in entries:
        for base in thing.__mro__[1:-1]:
            inherited = documentation(base).entries.get("Parameters", [])
            entries["Parameters"] += [e for e in inherited if e not in entries["Parameters"]]
    return Documentation(head.strip(), entries, texts)


def _entries(body: str, several: bool) -> Iterator[Item]:
    """Yield the entries of a section; `several` names may stand in one."""
    for piece in re.split(r"\n(?=\S)", body.strip("\n")):
        first, _, rest = piece.partition("\n")
        names, _, kind = first.partition(" : ")
        parts = names.split(", ") if several else [names]
        yield Item(tuple(parts), kind.strip(), inspect.cleandoc(rest))


def public_thing(name: str) -> tuple[Any, str]:
    """Return what a public name stands for, and its docstring, also of a constant."""
    thing = getattr(hybridopt, name)
    if callable(thing):
        return thing, inspect.getdoc(thing) or ""
    module, _, inner = hybridopt._HOMES[name].partition(":")
    body = ast.parse(inspect.getsource(importlib.import_module(f"hybridopt.{module}"))).body
    for statement, after in zip(body, body[1:], strict=False):
        if isinstance(statement, ast.Assign) and isinstance(after, ast.Expr):
            if getattr(statement.targets[0], "id", "") == (inner or name):
                return thing, inspect.cleandoc(str(getattr(after.value, "value", "")))
    return thing, ""


def api_reference() -> str:
    """Return the documentation of all public names as one Markdown document."""
    parts = [HEAD]
    sections = {title: _names_of(rooms.split()) for rooms, title in TITLES.items()}
    for title, names in sections.items():
        links = ", ".join(map(link, names))
        parts.append(f"- **{title}**: {links}")
    for title, names in sections.items():
        parts.append(f"\n## {title}")
        parts += [_section(name) for name in names]
    parts.append(f"\n## {VARIABLES}\n\nPositive torque and power propel or discharge.\n")
    for title, quantities in (
        ("Variables over time", STEP_VARIABLES),
        ("Totals", TOTALS),
        ("Totals of rotors between steps", ROTOR_TOTALS),
        ("Totals with a bound", BOUND_TOTALS),
        ("Totals of a controller's drive", EQUAL_TOTALS),
        ("Totals of charge, where there is a bound", CHARGE_TOTALS),
        ("Totals where the driveline says what heats up", THERMAL_TOTALS),
        ("Totals where it says what the engine emits", EMISSION_TOTALS),
    ):
        rows = (f"| `{name}` | {q.unit} | {q.meaning} |" for name, q in quantities.items())
        parts.append("\n".join([f"| {title} | unit | is |", "|---|---|---|", *rows, ""]))
    return "\n".join(parts)


def link(name: str) -> str:
    """Return a link to the section of a public name; of equal anchors the later ones count up."""
    lower = [other.lower() for other in hybridopt._HOMES]
    before = lower[: list(hybridopt._HOMES).index(name)].count(name.lower())
    return f"[`{name}`](#{name.lower()}{f'-{before}' if before else ''})"


def _names_of(rooms: list[str]) -> list[str]:
    return [name for name, home in hybridopt._HOMES.items() if re.split("[.:]", home)[0] in rooms]


def _section(name: str) -> str:
    thing, text = public_thing(name)
    known = documentation(thing, text)
    lines = [f"\n### {name}\n"]
    types: dict[str, str] = {}
    if signature := _signature(name, thing, known):
        lines.append(f"```python\n{signature}\n```\n")
        types = _types(thing)
    lines.append(markdown(known.text))
    for heading, entries in known.entries.items():
        lines.append(f"\n**{heading}**\n")
        lines += [_item(entry, types if heading == "Parameters" else {}) for entry in entries]
    if inspect.isclass(thing):
        lines += _members(thing)
    lines += [f"\n**Notes**\n\n{markdown(text)}" for text in known.texts.values()]
    return "\n".join(lines)


def _item(entry: Item, types: dict[str, str]) -> str:
    names = ", ".join(f"`{name}`" for name in entry.names)
    kind = ", ".join(dict.fromkeys(types[name] for name in entry.names if name in types))
    shown = f" ({markdown(entry.kind) if entry.kind else f'`{kind}`'})" if kind else ""
    text = " ".join(line for line in (entry.text,) if line)
    if entry.kind and not kind:  # an attribute: what it is stands behind the colon
        text = f"{entry.kind} {text}".strip()
    return f"- {names}{shown}" + (f": {markdown(text)}" if text else "")


def _signature(name: str, thing: Any, known: Documentation) -> str:
    """Return how a thing is called; empty for what users do not make themselves."""
    if not callable(thing) or (inspect.isclass(thing) and issubclass(thing, Exception | enum.Enum)):
        return ""
    if inspect.isclass(thing) and "Parameters" not in known.entries:
        return ""
    words = _call(thing)
    line = f"{name}({', '.join(words)})"
    if len(line) <= WIDTH:
        return line
    inner = f"    {', '.join(words)}"
    if len(inner) > WIDTH:
        inner = "\n".join(f"    {word}," for word in words)
    return f"{name}(\n{inner}\n)"


def _call(thing: Any, bound: bool = False) -> list[str]:
    """Return the parameters of a call, with defaults."""
    words: list[str] = []
    for parameter in list(inspect.signature(thing).parameters.values())[bound:]:
        if parameter.kind is parameter.KEYWORD_ONLY and "*" not in words:
            words.append("*")
        default = parameter.default
        if default is parameter.empty:
            words.append(parameter.name)
        else:
            words.append(f"{parameter.name}={_shown(default)}")
    return words


def _shown(default: Any) -> str:
    """Return a default value in short."""
    if callable(default):
        return str(default.__name__)
    if isinstance(default, float) and float(f"{default:g}") == default:
        return f"{default:g}" if abs(default) >= 1e6 else repr(default)
    shown = repr(default).replace("'", '"')
    return shown if len(shown) < 30 and "<" not in shown else "..."


def _types(thing: Any) -> dict[str, str]:
    """Return the types of the parameters of a call, without the modules they come from."""
    found = {}
    for name, parameter in inspect.signature(thing).parameters.items():
        if parameter.annotation is not parameter.empty:
            text = inspect.formatannotation(parameter.annotation).strip("'\"")
            found[name] = re.sub(r"(\w+\.)+(?=\w)", "", text).replace("'", "")
    return found


def _members(thing: type) -> list[str]:
    """Return the list of a class's public methods and properties, or of an enumeration's codes."""
    if issubclass(thing, enum.Enum):
        words = (f"{m.value}, {m.text}" if hasattr(m, "text") else f"{m.value}" for m in thing)
        rows = zip(thing.__members__, words, strict=True)
        return ["\n**Codes**\n", *(f"- `{name}`: {text}" for name, text in rows)]
    lines = []
    for name, member in vars(thing).items():
        function = getattr(member, "__func__", member)
        if name.startswith("_") or not (inspect.isfunction(function) or hasattr(member, "fget")):
            continue
        summary = (inspect.getdoc(member) or "").split("\n\n")[0]
        static = isinstance(member, staticmethod)
        call = ""
        if not hasattr(member, "fget"):
            call = f"({', '.join(_call(function, bound=not static))})"
        lines.append(f"- `{name}{call}`: {markdown(summary)}")
    return ["\n**Methods and properties**\n", *lines] if lines else []


def markdown(text: str) -> str:
    """Return text of a docstring as Markdown: paragraphs in one line each, names as links."""
    paragraphs = [" ".join(part.split()) for part in re.split(r"\n\s*\n", text.strip())]
    return "\n\n".join(ROLE.sub(_reference, part) for part in paragraphs)


def _reference(match: re.Match[str]) -> str:
    name = match[1].split(".")[-1]
    if name in ("STEP_VARIABLES", "TOTALS"):
        return f"[`{name}`](#{VARIABLES.lower().replace(' ', '-')})"
    if name in hybridopt._HOMES:
        return link(name)
    return f"`{match[1].removeprefix('.')}`"


if __name__ == "__main__":
    click.echo(api_reference(), nl=False)
