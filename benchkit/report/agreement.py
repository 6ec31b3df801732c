"""The page of a comparison: whether two records agree, every row of the table, and both drawn in one frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from markupsafe import Markup

from benchkit.campaign.compare import Comparison
from benchkit.campaign.compare_text import headline
from benchkit.errors import FileError
from benchkit.record import write_new
from benchkit.report.agreement_plots import overlays_of
from benchkit.report.agreement_rows import agreement_rows, by_parameter
from benchkit.report.drawing import ArrayPool, Drawing, safe_json
from benchkit.report.key import key_of
from benchkit.report.plots import make_plots, note_of, style_of
from benchkit.report.reading import read_sources
from benchkit.report.sheet import known_parameters
from benchkit.report.shell import shell
from benchkit.report.source import Source

__all__ = ["write_agreement"]


def write_agreement(comparison: Comparison, first: Path, second: Path, out: Path) -> Path:
    """
    Write a comparison as one HTML page that needs nothing from anywhere else.

    Args:
        first: The record that `comparison` is of.
        second: The other record, or the table (.csv).
        out: The file to write; it must not exist.

    Returns:
        `out`.

    Raises:
        RecordExistsError: `out` exists; it is left as it is.
        RecordError: No room, or no right to write there; nothing is left behind.
    """
    return write_new({out: _page(comparison, first, second).encode()})[0]


def _page(comparison: Comparison, first: Path, second: Path) -> str:
    sources, trouble = _sources(first, second)
    pool, style, note = ArrayPool(), style_of(sources), note_of(sources)
    parameters = known_parameters(sources)
    overlays = overlays_of(comparison, parameters, style, pool, note)
    measured: tuple[Drawing, ...] = ()
    if len(sources) == 2 and not trouble:
        measured = tuple(one for one in make_plots(sources, pool).measured if not one.empty)
    drawings = [drawing for overlay in overlays for drawing in (overlay.both(), overlay.difference())]
    rows = agreement_rows(comparison.rows, parameters)
    template, common = shell("agreement.html.j2")
    return template.render(
        **common,
        data=Markup(safe_json({"arrays": pool.texts, "plots": [one.spec or None for one in (*drawings, *measured)]})),
        c=comparison,
        rows=rows,
        parameters=by_parameter(rows),
        headline=headline(comparison),
        simulated=note,
        key=key_of(style),
        drawings=drawings,
        measured=measured,
        trouble=trouble,
    )


def _sources(first: Path, second: Path) -> tuple[Sequence[Source], str]:
    """The records, named by their place; and why their measured curves do not belong in one frame."""
    if second.suffix.lower() == ".csv":
        return _named(read_sources([first])), ""
    try:
        return _named(read_sources([first, second])), ""
    except FileError as error:
        return _named([*read_sources([first]), *read_sources([second])]), str(error)


def _named(sources: Sequence[Source]) -> list[Source]:
    return [
        replace(source, label=f"{which}: {source.label}") for which, source in zip(("first", "second"), sources, strict=False)
    ]
