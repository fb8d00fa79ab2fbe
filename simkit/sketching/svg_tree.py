"""The elements of an SVG file, read so that nothing in it can reach out of it or grow beyond measure.

Expat follows no external entity by itself; entities declared in the file are refused as well, as are files of more
bytes, elements or levels than a drawing has. No path that stands in the file, of a linked picture say, is looked at.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from simkit.errors import Fault, InputError
from simkit.vessel.reader import content_of

LARGEST_FILE = 8_000_000  # bytes
MOST_ELEMENTS, DEEPEST = 20_000, 100


class _TooMuchError(Exception):
    """Raised where the reader stops; its text says what is allowed."""


def svg_tree(path: str | Path) -> Element:
    """The root element of an SVG file; an InputError says why it cannot be read."""
    source, content = str(path), content_of(path, "a drawing", LARGEST_FILE, "; leave pictures out of it")
    try:
        root = _parsed(content)
    except _TooMuchError as error:
        raise _unreadable(source, str(error)) from error
    except (expat.ExpatError, UnicodeError, ValueError, LookupError) as error:
        raise _unreadable(source, f"SVG, which is XML ({error}); save it as plain SVG") from error
    if local(root) != "svg":
        raise _unreadable(source, f"SVG: its first element is <{local(root)[:40]}>")
    return root


def local(element: Element) -> str:
    """An element's name without its namespace."""
    return str(element.tag).rpartition("}")[2]


def _parsed(content: bytes) -> Element:
    builder = TreeBuilder()
    # With "}" names come as ElementTree has them, but for the first brace.
    parser = expat.ParserCreate(namespace_separator="}")
    open_elements = [0, 0]  # depth, count

    def start(tag: str, attributes: dict[str, str]) -> None:
        open_elements[0] += 1
        open_elements[1] += 1
        if open_elements[0] > DEEPEST or open_elements[1] > MOST_ELEMENTS:
            raise _TooMuchError(f"a drawing of at most {MOST_ELEMENTS} elements, {DEEPEST} within each other at most")
        builder.start(tag, attributes)

    def end(tag: str) -> None:
        open_elements[0] -= 1
        builder.end(tag)

    def entity(*_: object) -> None:
        # a few lines of them can unfold to gigabytes
        raise _TooMuchError("SVG without entities of its own; save it as plain SVG")

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.CharacterDataHandler = builder.data
    parser.EntityDeclHandler = entity
    parser.Parse(content, True)
    return builder.close()


def _unreadable(source: str, allowed: str) -> InputError:
    return InputError([Fault(source, "", None, allowed)])
