"""Read the text of our PDFs back: enough of the format for the sheets, and nothing shared with what makes them.

A page's content is a deflated stream of operators; text is shown as glyph numbers of two bytes each, which the font's
``ToUnicode`` map turns into signs (PDF 32000-1, 9.10.3).
"""

from __future__ import annotations

import re
import zlib

_OBJECT = re.compile(rb"(\d+) 0 obj(.*?)endobj", re.DOTALL)
_STREAM = re.compile(rb"stream\n(.*?)\nendstream", re.DOTALL)
_SHOWN = re.compile(rb"/F(\d+) [\d.]+ Tf|\(((?:\\.|[^\\()])*)\) ?Tj|\[(.*?)\] ?TJ", re.DOTALL)
_STRING = re.compile(rb"\(((?:\\.|[^\\()])*)\)", re.DOTALL)
_PLACED = re.compile(rb"(-?[\d.]+) (-?[\d.]+) Td|(-?[\d.]+) (-?[\d.]+) (-?[\d.]+) (-?[\d.]+) re")
_MM = 25.4 / 72
_ESCAPES = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}


def read_pages(content: bytes) -> list[str]:
    """Text of each page, in the order of drawing, pieces parted by line ends."""
    objects = {int(number): body for number, body in _OBJECT.findall(content)}
    pages = [body for body in objects.values() if re.search(rb"/Type /Page\b", body)]
    fonts = _fonts(objects)
    return [_page_text(objects, fonts, page) for page in pages]


def read_depths(content: bytes) -> list[tuple[list[float], list[float]]]:
    """Where things are on each page, millimetres from its top: bottoms of boxes, and base lines of text."""
    objects = {int(number): body for number, body in _OBJECT.findall(content)}
    size = next(found for body in objects.values() if (found := re.search(rb"/MediaBox \[0 0 [\d.]+ ([\d.]+)\]", body)))
    depths = []
    for page in (body for body in objects.values() if re.search(rb"/Type /Page\b", body)):
        boxes, lines = list[float](), list[float]()
        for _, line, _, top, _, height in _PLACED.findall(_stream(objects[_reference(page, b"Contents")])):
            bottom = float(line) if line else min(float(top), float(top) + float(height))
            (lines if line else boxes).append((float(size[1]) - bottom) * _MM)
        depths.append((boxes, lines))
    return depths


def _stream(body: bytes) -> bytes:
    found = _STREAM.search(body)
    assert found is not None
    return zlib.decompress(found[1]) if b"/FlateDecode" in body else found[1]


def _reference(body: bytes, name: bytes) -> int:
    found = re.search(rb"/" + name + rb" \[?\s*(\d+) 0 R", body)
    assert found is not None
    return int(found[1])


def _fonts(objects: dict[int, bytes]) -> dict[int, dict[int, str]]:
    """Signs by glyph number, by the number of the font."""
    named: dict[int, dict[int, str]] = {}
    for body in objects.values():
        table = re.search(rb"/Font\s*<<(.*?)>>", body, re.DOTALL)
        for name, number in re.findall(rb"/F(\d+) (\d+) 0 R", table[1]) if table else []:
            named[int(name)] = _unicode_map(_stream(objects[_reference(objects[int(number)], b"ToUnicode")]))
    return named


def _unicode_map(text: bytes) -> dict[int, str]:
    found: dict[int, str] = {}
    for glyph, signs in re.findall(rb"<([0-9A-Fa-f]{4})> ?<([0-9A-Fa-f]+)>\r?\n", text):
        found[int(glyph, 16)] = bytes.fromhex(signs.decode()).decode("utf-16-be")
    return found


def _page_text(objects: dict[int, bytes], fonts: dict[int, dict[int, str]], page: bytes) -> str:
    signs: dict[int, str] = {}
    pieces = []
    for font, one, several in _SHOWN.findall(_stream(objects[_reference(page, b"Contents")])):
        if font:
            signs = fonts[int(font)]
            continue
        raw = one if not several else b"".join(_STRING.findall(several))
        data = re.sub(rb"\\(.)", lambda m: _ESCAPES.get(m[1], m[1]), raw, flags=re.DOTALL)
        glyphs = (int.from_bytes(data[k : k + 2], "big") for k in range(0, len(data), 2))
        pieces.append("".join(signs[glyph] for glyph in glyphs))
    return "\n".join(pieces)
