"""A reader of A2L that shares no code with the package: tokens, blocks, values of memory."""

import re
from typing import NamedTuple

import numpy as np

_TOKEN = re.compile(r'\s+|/\*.*?\*/|//[^\n]*|"((?:[^"\\]|\\.)*)"|(/begin|/end|[^\s"/]+)', re.DOTALL)
TYPES = {"FLOAT32_IEEE": "f4", "SWORD": "i2"}
AXES = {"VALUE": 0, "VAL_BLK": 0, "CURVE": 1, "MAP": 2, "CUBOID": 3, "CUBE_4": 4, "CUBE_5": 5}


class Block(NamedTuple):
    """A block of the file: its word, its own tokens, and the blocks within."""

    word: str
    tokens: list
    blocks: list

    def all(self, word):
        return [block for block in self.blocks if block.word == word]

    def after(self, key, count=1):
        """Return the tokens behind a keyword, or nothing."""
        if key not in self.tokens:
            return None
        at = self.tokens.index(key) + 1
        return self.tokens[at : at + count]


def tokens(text):
    at = 0
    while at < len(text):
        found = _TOKEN.match(text, at)
        assert found, f"no token at {text[at : at + 40]!r}"
        at = found.end()
        if found[1] is not None or found[2]:
            yield found[2] or found[1]


def read(text):
    """Return the file as one block; every /begin has its /end."""
    root = Block("", [], [])
    stack, stream = [root], tokens(text)
    for token in stream:
        if token == "/begin":
            block = Block(next(stream), [], [])
            stack[-1].blocks.append(block)
            stack.append(block)
        elif token == "/end":
            assert next(stream) == stack.pop().word
        else:
            stack[-1].tokens.append(token)
    assert stack == [root]
    return root


class Described(NamedTuple):
    """A characteristic or axis: where it lies, how many values of what type, and what they mean."""

    name: str
    meaning: str
    address: int
    symbol: str
    dtype: str
    shape: tuple  # in the order of the C code, the last index fastest
    slope: float
    offset: float
    low: float
    high: float
    unit: str
    axes: list
    kind: str

    @property
    def size(self):
        return int(np.prod(self.shape)) * np.dtype(self.dtype).itemsize

    def values(self, entries):
        """Return physical values of entries, by the conversion."""
        return self.offset + self.slope * entries.astype(float).reshape(self.shape)


def described(text):
    """Return all characteristics and axes by name."""
    root = read(text)
    module = root.all("PROJECT")[0].all("MODULE")[0]
    layouts = {b.tokens[0]: b.tokens for b in module.all("RECORD_LAYOUT")}
    methods = {b.tokens[0]: b for b in module.all("COMPU_METHOD")}
    found = {}
    for block in (*module.all("AXIS_PTS"), *module.all("CHARACTERISTIC")):
        name, meaning, *rest = block.tokens
        if block.word == "AXIS_PTS":
            address, source, layout, _, method, count, low, high = rest[:8]
            assert source == "NO_INPUT_QUANTITY" and "STRICT_INCREASE" in rest
            assert layouts[layout][1:3] == ["AXIS_PTS_X", "1"]
            assert layouts[layout][4:] == ["INDEX_INCR", "DIRECT"]
            shape, axes, kind = (int(count),), [], "AXIS_PTS"
        else:
            kind, address, layout, _, method, low, high = rest[:7]
            assert layouts[layout][1:3] == ["FNC_VALUES", "1"]
            assert layouts[layout][4:] == ["ROW_DIR", "DIRECT"], "the first axis runs fastest"
            axes = block.all("AXIS_DESCR")
            assert len(axes) == AXES[kind]
            shape = tuple(int(axis.tokens[3]) for axis in reversed(axes)) or (1,)
            if kind == "VAL_BLK":
                shape = (int(block.after("MATRIX_DIM")[0]),)
        words = methods[method].tokens
        slope, offset = 1.0, 0.0
        if words[2] == "LINEAR":
            slope, offset = (float(x) for x in methods[method].after("COEFFS_LINEAR", 2))
        else:
            assert words[2] == "IDENTICAL"
        assert name not in found, name
        found[name] = Described(
            name,
            meaning,
            int(address, 16),
            block.after("SYMBOL_LINK")[0],
            TYPES[layouts[layout][3]],
            shape,
            slope,
            offset,
            float(low),
            float(high),
            words[4],
            [axis.after("AXIS_PTS_REF") or axis.after("FIX_AXIS_PAR_DIST", 3) for axis in axes],
            kind,
        )
    return found
