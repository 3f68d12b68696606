"""XML as nested data, from untrusted sources.

Document types, entities and outside references are refused by the parser (defusedxml); depth,
the number of elements and the size of texts are limited here.  Namespaces are dropped.
"""

from collections.abc import Callable
from xml.etree.ElementTree import ParseError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from afterclear.errors import RefusedFileError, told_by, worded
from afterclear.readers.formats.nested import LINE_KEY, MAX_DEPTH, Node

MAX_ELEMENTS = 20_000_000
_PIECE = 1 << 16


class _Builder:
    """Gets tags and texts in order; builds nested dicts. Repeated children become a list."""

    def __init__(self) -> None:
        self.root: dict[str, Node] = {}
        self.n_elements = 0
        self._open: list[tuple[str, dict[str, Node], list[str]]] = [("", self.root, [])]
        self.line_now: Callable[[], int] = int

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        self.n_elements += 1
        if len(self._open) > MAX_DEPTH or self.n_elements > MAX_ELEMENTS:
            raise RefusedFileError(
                worded(
                    "it has more than {max_depth} levels or {max_elements:,} elements.",
                    max_depth=MAX_DEPTH,
                    max_elements=MAX_ELEMENTS,
                )
            )
        node: dict[str, Node] = {LINE_KEY: str(self.line_now())}
        node |= {f"@{_local(key)}": value for key, value in attributes.items()}
        self._open.append((_local(tag), node, []))

    def end(self, _: str) -> None:
        tag, node, texts = self._open.pop()
        text = "".join(texts).strip()
        parent = self._open[-1][1]
        has_more = len(node) > 1
        value: Node = node
        if not has_more:
            value = text or None  # an empty element says nothing; its parent may still be a row
        elif text:
            node["#text"] = text
        if tag not in parent:
            parent[tag] = value
            return
        others = parent[tag]
        if isinstance(others, list):
            others.append(value)
        else:
            parent[tag] = [others, value]

    def data(self, text: str) -> None:
        self._open[-1][2].append(text)

    def close(self) -> dict[str, Node]:
        return self.root


def _local(name: str) -> str:
    return name.rpartition("}")[2]


def xml_tree(raw: bytes | str, where: str) -> Node:
    """Parse an XML document.

    Raises:
        RefusedFileError: it is not well formed, declares entities, or is too deep or large.

    """
    builder = _Builder()
    parser = DefusedXMLParser(target=builder, forbid_dtd=True)
    builder.line_now = lambda: parser.parser.CurrentLineNumber
    try:
        for at in range(0, len(raw), _PIECE):
            parser.feed(raw[at : at + _PIECE])
        parser.close()
    except DefusedXmlException as error:
        raise RefusedFileError(
            worded(
                "{where} declares a document type or entities; such XML is not read.", where=where
            )
        ) from error
    except RefusedFileError as error:
        raise RefusedFileError(
            worded("{where} is refused: {why}", where=where, why=told_by(error))
        ) from error
    except (ParseError, ValueError, LookupError) as error:
        raise RefusedFileError(
            worded("{where} is no well-formed XML: {error}.", where=where, error=error)
        ) from error
    return builder.root
