"""benchkit guide"""

from __future__ import annotations

from typing import Annotated

import typer

from benchkit.guide import PAGES

__all__ = ["guide"]


def guide(page: Annotated[str, typer.Argument(help="Page to read; default: list them.", show_default=False)] = "") -> None:
    """Read the manual: a list of its pages, or one of them."""
    import sys

    from benchkit.guide import read_page

    if not page:
        width = max(len(entry.name) for entry in PAGES)
        for entry in PAGES:
            typer.echo(f"{entry.name:<{width}}  {entry.about}")
        typer.echo("\nRead one with: benchkit guide PAGE")
        return
    if page not in {entry.name for entry in PAGES}:
        raise typer.BadParameter(f"there is no page {page!r}; there are {', '.join(entry.name for entry in PAGES)}")
    text = read_page(page)
    if not sys.stdout.isatty():
        typer.echo(text, nl=False)
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(text))
