"""XML from outside: bounded in size, depth and elements; nothing that it declares is expanded."""

from pathlib import Path
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from ..base.errors import InputError
from .reading import read_ordinary

LARGEST_FILE = 20_000_000  # bytes
MOST_ELEMENTS = 1_000_000
DEEPEST = 64  # elements within each other


class _Reader:
    """What the parser calls; elements are counted before they are built."""

    def __init__(self, path: Path) -> None:
        self.path, self.builder, self.depth, self.count = path, TreeBuilder(), 0, 0

    def begin(self, tag: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        self.count += 1
        if self.depth > DEEPEST:
            raise InputError(f"{self.path}: is nested too deeply; export again")
        if self.count > MOST_ELEMENTS:
            raise InputError(
                f"{self.path}: has more than {MOST_ELEMENTS} elements; give the tables only"
            )
        self.builder.start(tag, attributes)

    def end(self, tag: str) -> None:
        self.depth -= 1
        self.builder.end(tag)

    def refuse(self, *_: object) -> int:
        """Answer whatever would be looked up or expanded."""
        raise InputError(
            f"{self.path}: declares entities or a document type of its own, which are never "
            "followed; take the declarations out"
        )


def read_xml(path: Path) -> Element:
    """Return the root of an XML file.

    A document type may be named, but is not looked up; entities and declarations within the file
    are refused.

    Raises
    ------
    InputError
        The file is absent, no ordinary one, too large or deep, or no well-formed XML.
    """
    content, reader = read_ordinary(path, LARGEST_FILE), _Reader(path)
    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = reader.begin, reader.end
    parser.CharacterDataHandler = reader.builder.data
    parser.EntityDeclHandler = parser.ElementDeclHandler = parser.AttlistDeclHandler = reader.refuse
    parser.UnparsedEntityDeclHandler = parser.NotationDeclHandler = reader.refuse
    parser.ExternalEntityRefHandler = parser.SkippedEntityHandler = reader.refuse
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        raise InputError(
            f"{path}: line {error.lineno}, column {error.offset + 1}: is no valid XML "
            f"({expat.ErrorString(error.code)}); mend it, or export again"
        ) from None
    except (LookupError, UnicodeError, ValueError):
        raise InputError(f"{path}: is in an encoding that is not known; save it as UTF-8") from None
    return reader.builder.close()
