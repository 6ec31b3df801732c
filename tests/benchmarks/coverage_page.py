"""The coverage benchmark's table as a page that needs nothing from anywhere else."""

from __future__ import annotations

import math
import platform
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from markupsafe import Markup

import benchkit
from benchkit.report.digits import fixed
from benchkit.report.drawing import ArrayPool, Drawing, safe_json, spec_of
from benchkit.report.layout import layout_of, shown_text
from benchkit.report.palette import NEUTRAL, OKABE_ITO
from benchkit.report.shell import shell
from benchkit.results.figure import Axis
from tests.benchmarks.coverage_draw import Setting
from tests.benchmarks.coverage_table import PROMISE, Coverage, ParameterCoverage

__all__ = ["seeds_text", "write_page"]

TEMPLATE = "coverage.html.j2"
KINDS = {
    "path_loss": "paths", "verification": "thru", "quiescent": "bias", "s_parameters": "S-parameters",
    "compression": "compression", "spectrum": "harmonics and search", "two_tone": "two tones",
}  # fmt: skip
LINE_PX, SPARE_PX = 17, 130
NO_FILTER = {"temperature": None, "channel": None, "record": None}


def write_page(found: Coverage, seeds: Sequence[int], out: Path) -> Path:
    """
    Args:
        seeds: Of the draws that `found` is made of, ascending.
        out: The file to write; it must not exist.

    Returns:
        `out`.

    Raises:
        FileExistsError: It does; it is left as it is.
    """
    pool = ArrayPool()
    drawing = _drawing(found, pool)
    own = (Path(__file__).parent / TEMPLATE).read_text(encoding="utf-8")
    template, common = shell(TEMPLATE, {TEMPLATE: own})
    settings = Counter((Setting.of(seed).channel, Setting.of(seed).said) for seed in seeds)
    text = template.render(
        **common,
        data=Markup(safe_json({"arrays": pool.texts, "plots": [drawing.spec]})),
        drawing=drawing,
        rows=[_cells(one) for one in found.rows],
        overall=_cells(found.overall),
        kept=found.share >= PROMISE,
        promise=f"{100 * PROMISE:g}",
        below=[_cells(one) for one in found.rows if one.share < PROMISE],
        draws=len(seeds),
        seeds=seeds_text(seeds),
        settings=[(f"channel {channel}", said, count) for (channel, said), count in sorted(settings.items())],
        versions=", ".join(
            f"{name} {version}"
            for name, version in (
                ("benchkit", benchkit.__version__), ("Python", platform.python_version()), ("numpy", np.__version__),
                ("scipy", scipy.__version__),
            )
        ),
    )  # fmt: skip
    with out.open("x", encoding="utf-8", newline="\n") as file:
        file.write(text)
    return out


def seeds_text(seeds: Sequence[int]) -> str:
    """Runs of seeds, the gaps between them told."""
    runs: list[list[int]] = []
    for seed in seeds:
        if runs and seed == runs[-1][1] + 1:
            runs[-1][1] = seed
        else:
            runs.append([seed, seed])
    return ", ".join(f"{low} to {high}" if high > low else f"{low}" for low, high in runs)


def _cells(one: ParameterCoverage) -> dict[str, str]:
    return {
        "kind": KINDS.get(one.kind, one.kind),
        "name": one.name,
        "count": str(one.count),
        "inside": str(one.inside),
        "share": fixed(100 * one.share, 1),
        "interval": f"{fixed(100 * one.low, 1)} to {fixed(100 * one.high, 1)}",
        "largest": fixed(one.largest, 2) if math.isfinite(one.largest) else "no U",
        "rms": fixed(one.rms, 2) if math.isfinite(one.rms) else "no U",
        "mean": fixed(one.mean, 2) if math.isfinite(one.mean) else "no U",
        "is_below": "yes" if one.share < PROMISE else "",
    }


def _drawing(found: Coverage, pool: ArrayPool) -> Drawing:
    """Each parameter's share with its interval, least covered at the top."""
    rows = sorted(found.rows, key=lambda one: (-one.share, -one.low))
    places = np.arange(len(rows), dtype=float)
    lows, highs = (np.array([100 * getattr(one, end) for one in rows]) for end in ("low", "high"))
    spans_x = np.column_stack([lows, highs, np.full(len(rows), np.nan)]).ravel()
    spans_y = np.repeat(places, 3)
    ends = np.array([-1.0, len(rows)])
    shares = np.array([100 * one.share for one in rows])
    traces = [
        _trace("95 % interval of the share", spans_x, spans_y, pool, line={"color": OKABE_ITO["sky blue"], "width": 5}),
        _trace("inside U", shares, places, pool, mode="markers", marker={"color": OKABE_ITO["black"], "size": 7}),
        _trace(
            f"demanded of all together: {100 * PROMISE:g} %", np.full(2, 100 * PROMISE), ends, pool,
            line={"color": OKABE_ITO["vermillion"], "width": 2, "dash": "dash"},
        ),
        _trace("promised by k = 2: 95 %", np.full(2, 95.0), ends, pool, line={"color": NEUTRAL, "width": 1, "dash": "dot"}),
    ]  # fmt: skip
    title = "How often the truth lies inside U"
    layout = layout_of(
        title, Axis("Numbers with their true value inside U (%)"), Axis("Parameter"), np.append(lows, 100.0), ends,
        height=SPARE_PX + LINE_PX * len(rows), note="SIMULATED: no device was measured",
    )  # fmt: skip
    layout["yaxis"] |= {
        "tickmode": "array", "tickvals": places.tolist(), "ticktext": [shown_text(one.name) for one in rows],
        "range": [-1.0, float(len(rows))], "title": {"text": ""}, "tickfont": {"size": 11},
    }  # fmt: skip
    least = rows[-1]
    alt = (
        f"{title}: {len(rows)} parameters, each with its 95 % interval. Least covered: {least.name}, {100 * least.share:.1f} % "
        f"of {least.count}."
    )
    return Drawing(
        key="coverage", title=title, caption="Least covered at the top.", choices=("",), choice_label="Shown", alt=alt,
        spec={**spec_of({"": traces}, layout), "keyed": False},
    )  # fmt: skip


def _trace(name: str, x: Any, y: Any, pool: ArrayPool, *, mode: str = "lines", **look: Any) -> dict[str, Any]:
    return {
        "name": name, "mode": mode, "x": pool.add(x), "y": pool.add(y), **look, "hovertemplate": "%{x:.1f} %<extra></extra>",
        "filter": NO_FILTER,
    }  # fmt: skip
