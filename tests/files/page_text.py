"""Read a web page of ours back: its text, its tags, its attributes."""

from __future__ import annotations

from html.parser import HTMLParser


class Seen(HTMLParser):
    """What a reader finds on a page."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def words(self) -> str:
        """All text in one line."""
        return " ".join(" ".join(self.texts).split())


def see(page: str) -> Seen:
    """Read a page."""
    seen = Seen()
    seen.feed(page)
    return seen
