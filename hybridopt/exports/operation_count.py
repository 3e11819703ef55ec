"""Worst-case count of the operations of generated C code, from its text.

The code is plain: functions that stand before their callers, blocks, conditions, and loops that
state how often they run, by constant bounds (`for (g = 0; g < GEARS; ++g)`) or in a comment behind
their brace (`/* at most SEARCH times */`). Of two branches the dearer counts, of an expression all.
"""

import re
from collections.abc import Mapping
from typing import NamedTuple

COUNTED = {"+", "-", "*", "/", "%", "<", ">", "<=", ">=", "==", "!=", "++", "--"}
COUNTED |= {"+=", "-=", "*=", "/="}
DIVISIONS = {"/", "/=", "%"}
_TOKEN = re.compile(
    r"/\* at most (?P<times>[^*]+?) times \*/|/\*.*?\*/|"
    r"(?P<token>->|\+\+|--|[-+*/%<>=!]=|&&|\|\||[A-Za-z_]\w*|[\d.]+(?:e[-+]?\d+)?F?|[^\s\w])",
    re.DOTALL,
)
_FUNCTION = re.compile(r"^[\w ]+?\*?(\w+)\(([^)]*)\)\n\{(.*?)^\}", re.DOTALL | re.MULTILINE)
_DEFINE = re.compile(r"^#define (\w+) ([^\n]+)$", re.MULTILINE)
_BOUNDED = re.compile(r"\w+ = (\w+) ; \w+ < ([\w +*]+?)(?: &&.*)? ; \+\+ \w+")
_TYPES = {"return", "const", "float", "int", "bool"}


class Operations(NamedTuple):
    """How many operations, and how many divisions among them."""

    all: int = 0
    divisions: int = 0

    def plus(self, other: "Operations", times: int = 1) -> "Operations":
        """Return these and others, some times over."""
        return Operations(self.all + times * other.all, self.divisions + times * other.divisions)

    def dearer(self, other: "Operations") -> "Operations":
        """Return the larger of both, in all and in divisions."""
        return Operations(max(self.all, other.all), max(self.divisions, other.divisions))


def count_operations(text: str, function: str) -> Operations:
    """Return the most operations that one call of a function takes.

    Parameters
    ----------
    text
        Of the source, with its header before it.
    function
        Its name.

    Returns
    -------
    Operations
        Additions, subtractions, multiplications, divisions, remainders and comparisons of float and
        int, in expressions and in the heads of loops.

    Raises
    ------
    ValueError
        A loop does not state how often it runs.
    """
    macros = {name: value.partition("/*")[0].strip() for name, value in _DEFINE.findall(text)}
    known: dict[str, Operations] = {}
    for name, _, body in _FUNCTION.findall(text):
        known[name] = _Body(_tokens(body), known, macros).block()
    return known[function]


def _tokens(text: str) -> list[str]:
    found = []
    for match in _TOKEN.finditer(text):
        if match["times"]:
            found.append("@" + match["times"])
        elif match["token"]:
            found.append(match["token"])
    return found


class _Body:
    """Statements of a function that are counted one after another."""

    def __init__(
        self, tokens: list[str], known: Mapping[str, Operations], macros: Mapping[str, str]
    ) -> None:
        self.tokens, self.known, self.macros, self.at = tokens, known, macros, 0

    def block(self) -> Operations:
        total = Operations()
        while self.at < len(self.tokens) and self.tokens[self.at] != "}":
            total = total.plus(self.statement())
        self.at += 1
        return total

    def statement(self) -> Operations:
        token = self.tokens[self.at]
        self.at += 1
        if token.startswith("@"):
            return Operations()
        if token == "{":
            return self.block()
        if token == "if":
            return self._branches()
        if token in ("for", "while"):
            return self._loop(token)
        begin = self.at - 1
        while self.tokens[self.at - 1] != ";":
            self.at += 1
        return self._expression(self.tokens[begin : self.at])

    def _branches(self) -> Operations:
        condition, first, second = self._expression(self._head()), self.statement(), Operations()
        if self.at < len(self.tokens) and self.tokens[self.at] == "else":
            self.at += 1
            second = self.statement()
        return condition.plus(first.dearer(second))

    def _loop(self, kind: str) -> Operations:
        head = self._head()
        stated = self.tokens[self.at + 1] if self.tokens[self.at] == "{" else ""
        bounds = _BOUNDED.fullmatch(" ".join(head))
        if stated.startswith("@"):
            times = self._number(stated[1:])
        elif kind == "for" and bounds:
            times = self._number(bounds[2]) - self._number(bounds[1])
        else:
            raise ValueError(f"a loop does not state how often it runs: {' '.join(head)}")
        parts = " ".join(head).split(";") if kind == "for" else ["", " ".join(head), ""]
        first, condition, after = (self._expression(part.split()) for part in parts)
        body = self.statement()
        return first.plus(condition, times + 1).plus(after, times).plus(body, times)

    def _head(self) -> list[str]:
        """Return what stands in the parentheses here."""
        begin, depth = self.at + 1, 0
        while True:
            depth += {"(": 1, ")": -1}.get(self.tokens[self.at], 0)
            self.at += 1
            if depth == 0:
                return self.tokens[begin : self.at - 1]

    def _number(self, text: str) -> int:
        """Return the value of a sum of constants."""
        total = 0
        for part in text.split("+"):
            name = part.strip()
            total += int(name) if name.isdigit() else self._number(self.macros[name])
        return total

    def _expression(self, tokens: list[str]) -> Operations:
        total, before = Operations(), ""
        for i, token in enumerate(tokens):
            if token in self.known and tokens[i + 1 : i + 2] == ["("]:
                total = total.plus(self.known[token])
            elif token in self.macros and not token.isdigit():
                total = total.plus(self._expression(_tokens(self.macros[token])))
            elif token in COUNTED and (token not in "-*" or _ends_value(before)):
                total = total.plus(Operations(1, int(token in DIVISIONS)))
            before = token
        return total


def _ends_value(token: str) -> bool:
    """Whether a token ends a value, so that an operator behind it takes two of them."""
    if token in _TYPES:
        return False
    return bool(re.fullmatch(r"[\w.]+|\)|\]", token))
