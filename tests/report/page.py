"""A report as a test reads it: its elements, and the numbers of its plots decoded."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np

VOID = {"meta", "br", "input", "col", "img", "link", "hr"}


@dataclass
class Element:
    tag: str
    attributes: dict[str, str]
    inside: list[Any] = field(default_factory=list)

    @property
    def text(self) -> str:
        """All text inside, runs of blanks as one."""
        return " ".join("".join(one if isinstance(one, str) else f" {one.text} " for one in self.inside).split())

    def all(self, tag: str, kind: str = "") -> list[Element]:
        found = []
        for one in self.inside:
            if isinstance(one, Element):
                if one.tag == tag and (not kind or kind in one.attributes.get("class", "").split()):
                    found.append(one)
                found += one.all(tag, kind)
        return found


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
        self.open[-1].inside.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>, line {self.getpos()[0]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1].inside.append(data)


class Page:
    """A written report."""

    def __init__(self, path: Path) -> None:
        self.html = path.read_text(encoding="utf-8")
        # The plot library is one long line of somebody else's; nothing here asks about it.
        self.own = re.sub(r"<script>/\*\*.*?</script>", "<script></script>", self.html, flags=re.DOTALL)
        reader = _Reader()
        reader.feed(self.own)
        assert reader.open == [reader.root], "every element is closed"
        self.root = reader.root
        data = next(one for one in self.root.all("script") if one.attributes.get("id") == "report-data")
        self.data = json.loads(data.inside[0])

    @property
    def text(self) -> str:
        return self.root.all("main")[0].text

    def section(self, title: str) -> Element:
        """The section under one heading."""
        return next(one for one in self.root.all("section") if any(h.text == title for h in one.all("h2")))

    def array(self, place: int) -> np.ndarray[Any, np.dtype[np.float64]]:
        return np.frombuffer(base64.b64decode(self.data["arrays"][place]), "<f8")

    def plots(self) -> list[dict[str, Any]]:
        return [one for one in self.data["plots"] if one]

    def plot(self, title: str) -> dict[str, Any]:
        """A plot by its title."""
        return next(one for one in self.plots() if one["layout"]["title"]["text"].startswith(title))

    def traces(self, title: str, choice: str = "") -> dict[str, tuple[Any, Any, dict[str, Any]]]:
        """Name in the legend to x, y and look."""
        plot = self.plot(title)
        chosen = next(one for one in plot["sets"] if one["name"] == choice)
        return {
            plot["styles"][style]["name"]: (self.array(x), self.array(y), plot["styles"][style])
            for style, x, y in chosen["traces"]
        }

    def row(self, section: str, label: str) -> Element:
        """The first table row under a heading whose first cell begins with `label`."""
        rows = self.section(section).all("tr")
        return next(one for one in rows if one.all("th") and one.all("th")[0].text.startswith(label))
