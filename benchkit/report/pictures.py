"""
Every plot of a record's report as SVG and PNG, for slides and data sheets.

Drawn from the same figures as the page, with the same meaning of colour, dash and mark (palette.py); by matplotlib, because a
picture file is made on machines without a browser. The same record gives the same bytes: no time and no random name goes in.
"""

from __future__ import annotations

import io
import re
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from benchkit.errors import FormatError
from benchkit.record import refuse_existing, write_new
from benchkit.report.layout import FRAME, GRID, INK, SHADE
from benchkit.report.plots import figures_of, note_of, style_of
from benchkit.report.reading import read_sources
from benchkit.report.style import Series, Style, ranks
from benchkit.report.timeline_picture import draw_timeline
from benchkit.results.figure import Figure, Trace

__all__ = ["export_figures"]

# The palette's dashes as (offset, (on, off, ...)) in line widths, and its marks as matplotlib names them: mark, is it filled.
DASHES: Mapping[str, Any] = {
    "solid": "solid", "dash": (0, (5, 2.5)), "dot": (0, (1.2, 2)), "dashdot": (0, (5, 2, 1.2, 2)), "longdash": (0, (9, 3)),
    "longdashdot": (0, (9, 2, 1.2, 2)),
}  # fmt: skip
MARKS = {
    "circle": ("o", True), "square-open": ("s", False), "diamond": ("D", True), "triangle-up-open": ("^", False),
    "x": ("X", True), "cross-open": ("P", False), "star": ("*", True), "hexagon-open": ("h", False),
}  # fmt: skip
SETTINGS: Any = {
    "svg.hashsalt": "benchkit", "svg.fonttype": "none", "text.parse_math": False, "font.family": ["DejaVu Sans", "sans-serif"],
    "font.size": 9.0, "axes.edgecolor": FRAME, "text.color": INK, "axes.labelcolor": INK, "xtick.color": INK,
    "ytick.color": INK, "axes.unicode_minus": True, "agg.path.chunksize": 20000,
}  # fmt: skip
SIZE_INCH = (8.0, 4.6)
DOTS_PER_INCH = 160
# Of the lines of one condition that are drawn alike, as the page's: RANK_WIDTHS.
LINE_WIDTHS = (1.3, 0.65, 2.0)
FORMATS = ("svg", "png")
COURSE = "course"


def export_figures(record: Path | str, target: Path | str) -> list[Path]:
    """
    Write every figure of one record's report as `<figure>.svg` and `<figure>.png`; one with choices once for each choice.

    Args:
        record: A record, sealed or still growing.
        target: A folder, made if need be.

    Returns:
        The files written.

    Raises:
        FormatError: Not a record, or nothing in it to draw.
        RecordExistsError: One of the files exists; nothing was written.
        RecordError: No room, or no right to write there; nothing is left behind.
    """
    from matplotlib import rc_context

    record, target = Path(record), Path(target)
    source = read_sources([record])[0]
    style, note = style_of([source]), note_of([source])
    files: dict[Path, bytes] = {}
    with rc_context(SETTINGS), warnings.catch_warnings():
        # A serial number may hold a letter that the font lacks: a box is drawn for it, and the file's name has it.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font", category=UserWarning)
        every = list(_every(figures_of(source)))
        refuse_existing(target / f"{name}.{kind}" for name in (*(one[0] for one in every), COURSE) for kind in FORMATS)
        for name, figure, choice, traces in every:
            title = figure.title + (f" at {choice}" if choice else "")
            drawn = _draw(figure, title, [Series(trace, source.label) for trace in traces], style, note)
            files |= {target / f"{name}.{kind}": _bytes(drawn, kind, title, figure.caption) for kind in FORMATS}
        course = draw_timeline(source, style.colours, note)
        if course is not None:
            files |= {target / f"{COURSE}.{kind}": _bytes(course, kind, "Course of the run", "") for kind in FORMATS}
    if not files:
        raise FormatError(f"{record} holds nothing that can be drawn: no finished measurement, chamber reading or event")
    return write_new(files)


def _every(figures: list[Figure]) -> Iterator[tuple[str, Figure, str, tuple[Trace, ...]]]:
    """File name, figure, choice and traces of all that has anything to draw."""
    seen: Counter[str] = Counter()
    for figure in figures:
        for choice, traces in (figure.choices or {"": figure.traces}).items():
            if any(bool((np.isfinite(one.x) & np.isfinite(one.y)).any()) for one in traces):
                name = _file_name(f"{figure.key} {choice}")
                seen[name] += 1
                yield (name if seen[name] == 1 else f"{name}-{seen[name]}"), figure, choice, traces


def _file_name(text: str) -> str:
    """Letters, digits, points and dashes: what every file system takes."""
    return re.sub(r"[^a-z0-9.]+", "-", text.lower().replace("µ", "u")).strip("-.")[:120] or "figure"


def _draw(figure: Figure, title: str, series: list[Series], style: Style, note: str) -> Any:
    from matplotlib.figure import Figure as Paper

    paper = Paper(figsize=SIZE_INCH, dpi=DOTS_PER_INCH, layout="constrained")
    axes = paper.add_subplot()
    rank = ranks(one.trace for one in series)
    for one in sorted(series, key=lambda one: (one.trace.temperature_degc or 0.0, one.trace.channel or "")):
        trace, look, weight = one.trace, style.of(one), rank[one.trace.part]
        mark, filled = MARKS[look["marker"]["symbol"]] if "markers" in trace.mode else ("", True)
        axes.plot(
            trace.x, trace.y, label=trace.name, color=look["line"]["color"], linewidth=LINE_WIDTHS[weight % len(LINE_WIDTHS)],
            marker=mark or None, markersize=4 + 1.5 * weight,
            linestyle=DASHES[look["line"]["dash"]] if "lines" in trace.mode else "none",
            markerfacecolor=None if filled else "none",
        )  # fmt: skip
    for low, high in figure.shaded:
        axes.axvspan(low, high, color=SHADE, linewidth=0, zorder=0)
    axes.set_xscale(figure.x.scale)
    axes.set_yscale(figure.y.scale)
    axes.set_xlabel(figure.x.label)
    axes.set_ylabel(figure.y.label)
    axes.set_title(title, loc="left", fontsize=10.5, fontweight="bold")
    axes.grid(visible=True, color=GRID, linewidth=0.6)
    axes.set_axisbelow(True)
    handles, labels = axes.get_legend_handles_labels()
    # Beside the axes: a legend inside would hide what it names.
    paper.legend(handles, labels, loc="outside right upper", frameon=False, fontsize=7.5, handlelength=3.4)
    if note:
        # In the plot itself, so that it goes along wherever the picture is copied to.
        axes.text(0.99, 0.01, note, transform=axes.transAxes, ha="right", va="bottom", color="#A23B00", fontweight="bold")
    return paper


def _bytes(paper: Any, kind: str, title: str, caption: str) -> bytes:
    told = {"Title": title, "Description": caption}
    metadata = {**told, "Date": None, "Creator": None} if kind == "svg" else {**told, "Software": None}
    stream = io.BytesIO()
    paper.savefig(stream, format=kind, metadata={name: text for name, text in metadata.items() if text or text is None})
    return stream.getvalue()
