"""A small object in the Executable and Linkable Format, laid out by hand."""

import struct


def small_elf(bits, order, address):
    """Return an object with one float `a`, local to a.c, as the specification lays it out."""
    names, wide = b"\0a.c\0a\0", bits == 64
    if wide:
        rows = [(1, 4, 0, 0, 0, 0), (5, 1, 0, 1, address, 4)]
        table = bytes(24) + b"".join(struct.pack(order + "IBBHQQ", *row) for row in rows)
    else:
        rows = [(1, 0, 0, 4, 0, 0), (5, address, 4, 1, 0, 1)]
        table = bytes(16) + b"".join(struct.pack(order + "IIIBBH", *row) for row in rows)
    begin = 64 if wide else 52
    section = order + ("IIQQQQIIQQ" if wide else "IIIIIIIIII")
    size = struct.calcsize(section)
    at = begin + 3 * size
    sections = bytes(size)
    sections += struct.pack(section, 0, 2, 0, 0, at, len(table), 2, 2, 4, len(table) // 3)
    sections += struct.pack(section, 0, 3, 0, 0, at + len(table), len(names), 0, 0, 1, 0)
    ident = b"\x7fELF" + bytes([bits // 32, "<>".index(order) + 1, 1]) + bytes(9)
    head = struct.pack(
        order + ("HHIQQQIHHHHHH" if wide else "HHIIIIIHHHHHH"),
        *(1, 8, 1, 0, 0, begin, 0, begin, 0, 0, size, 3, 0),
    )
    return ident + head + sections + table + names
