"""The manual: one page for each use, kept as Markdown beside this file, readable here and by `benchkit guide`."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

from benchkit.errors import MisuseError

__all__ = ["PAGES", "Page", "read_page"]


@dataclass(frozen=True)
class Page:
    """A page of the manual: its name, which is also its file's, and the question it answers."""

    name: str
    about: str


PAGES = (
    Page("first-bench", "from the shipped examples to your own part, in five steps"),
    Page("sequence", "every part of a sequence file"),
    Page("kinds", "the kinds of measurement"),
    Page("safety", "the guards of part and bench, and how to rehearse faults"),
    Page("overnight", "time, trouble, resuming, notices, exit codes"),
    Page("record", "the record; reports, exports, comparing, repeating"),
    Page("uncertainty", "how U, verdicts and agreement come about"),
    Page("instruments", "dialects, drivers and kinds of your own"),
    Page("twin", "the simulated bench, its ledger and its faults"),
    Page("notebooks", "benchkit from Python"),
    Page("glossary", "benchkit's own words"),
)


def read_page(name: str) -> str:
    """
    Return a page as Markdown.

    Raises:
        MisuseError: There is no page of that name.
    """
    if name not in {page.name for page in PAGES}:
        raise MisuseError(f"the guide has no page {name!r}; it has {', '.join(page.name for page in PAGES)}")
    return (files(__name__) / "pages" / f"{name}.md").read_text(encoding="utf-8")
