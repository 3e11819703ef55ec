"""Symbols of an object in the Executable and Linkable Format (ELF): names, addresses, sizes."""

import struct
from pathlib import Path
from typing import NamedTuple

from ..base.errors import InputError
from ..files.reading import read_ordinary
from ..inputs.fields import shown

LARGEST_FILE = 200_000_000  # bytes
LONGEST_NAME = 1000  # bytes
_SYMTAB, _FILE, _LOCAL, _OBJECT = 2, 4, 0, 1
_HEADER = {32: "HHIIIIIHHHHHH", 64: "HHIQQQIHHHHHH"}
_SECTION = {32: "IIIIIIIIII", 64: "IIQQQQIIQQ"}
_SYMBOL = {32: "IIIBBH", 64: "IBBHQQ"}


class Symbol(NamedTuple):
    """A data object of an ELF file.

    Attributes
    ----------
    name : in the source
    address : of its first byte
    size : bytes
    file : source in which it is local; empty for a global one
    """

    name: str
    address: int
    size: int
    file: str


class Elf(NamedTuple):
    """What is read of an ELF file.

    Attributes
    ----------
    path : of the file
    big_endian : whether the first byte of a number is the highest one
    symbols : of its data
    """

    path: Path
    big_endian: bool
    symbols: list[Symbol]

    def find(self, name: str, file: str) -> Symbol:
        """Return the data object of a name: the one of a source file, or the only one.

        Raises
        ------
        InputError
            There is none, or several.
        """
        named = [symbol for symbol in self.symbols if symbol.name == name]
        found = [symbol for symbol in named if symbol.file == file] or named
        if len(found) != 1:
            what = "is not among its symbols" if not found else f"is there {len(found)} times"
            raise InputError(
                f"{self.path}: {name} {what}; link the C code of the same tables once, compiled "
                "for calibration (its header says how), and keep the symbols"
            )
        return found[0]


def read_elf(path: Path) -> Elf:
    """Return the data symbols of an ELF file, 32 or 64 bits, of either byte order.

    Source: "Tool Interface Standard (TIS) Executable and Linking Format (ELF) Specification",
    version 1.2, from memory.

    Raises
    ------
    InputError
        The file is absent, too large, no ELF file, damaged or without symbols.
    """
    content = read_ordinary(path, LARGEST_FILE)
    if content[:4] != b"\x7fELF" or len(content) < 64:
        raise InputError(f"{path}: is no ELF file; give the object that the linker made")
    if content[4] not in (1, 2) or content[5] not in (1, 2):
        raise InputError(f"{path}: is an ELF file of no known kind; give one of 32 or 64 bits")
    bits, order = 32 * content[4], "<>"[content[5] - 1]
    try:
        symbols = _symbols(content, bits, order)
    except (struct.error, IndexError, OverflowError, ValueError):
        raise InputError(f"{path}: is damaged; build it again") from None
    if symbols is None:
        raise InputError(f"{path}: holds no symbols; link it without stripping them")
    return Elf(path, order == ">", symbols)


def _symbols(content: bytes, bits: int, order: str) -> list[Symbol] | None:
    """Return the data symbols, or None where there is no table of them."""
    header = struct.unpack_from(order + _HEADER[bits], content, 16)
    begin, size, count = header[5], header[10], header[11]
    rows = [
        struct.unpack_from(order + _SECTION[bits], content, begin + i * size) for i in range(count)
    ]
    for row in rows:
        if row[1] == _SYMTAB:
            names = rows[row[6]]
            if row[4] + row[5] > len(content) or names[4] + names[5] > len(content):
                raise ValueError("beyond the end")
            texts = content[names[4] : names[4] + names[5]]
            return _table(content[row[4] : row[4] + row[5]], texts, bits, order)
    return None


def _table(content: bytes, texts: bytes, bits: int, order: str) -> list[Symbol]:
    found, file = [], ""
    layout = struct.Struct(order + _SYMBOL[bits])
    for entry in layout.iter_unpack(content[: len(content) // layout.size * layout.size]):
        if bits == 64:
            at, info, _, _, address, size = entry
        else:
            at, address, size, info, _, _ = entry
        if info & 15 == _FILE:
            file = _text(texts, at)
        elif info & 15 == _OBJECT and size:
            local = info >> 4 == _LOCAL
            found.append(Symbol(_text(texts, at), address, size, file if local else ""))
    return found


def _text(texts: bytes, at: int) -> str:
    """Return a name; one that is longer than any of ours is nothing."""
    end = texts.find(b"\0", at, at + LONGEST_NAME)
    return texts[at:end].decode("utf-8", "replace") if end >= 0 else ""


def shown_address(symbol: Symbol, path: Path) -> str:
    """Return an address as A2L writes it; it has room for 32 bits.

    Raises
    ------
    InputError
        The address has more.
    """
    if symbol.address > 0xFFFFFFFF:
        raise InputError(
            f"{path}: {shown(symbol.name)} lies at {symbol.address:#x}; A2L has room for addresses "
            "of 32 bits, so link it lower"
        )
    return f"0x{symbol.address:08X}"
