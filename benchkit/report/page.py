"""The page: every section's content gathered, and one self-contained HTML text made of it."""

from __future__ import annotations

import difflib
import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from benchkit.report.bench_table import instruments_of, missing_protections
from benchkit.report.budgets import budgets_of, kinds_not_stated, not_stated
from benchkit.report.cautions import cautions_of
from benchkit.report.conditions import conditions_of
from benchkit.report.contradicted import contradicted
from benchkit.report.contributions import contributions_of
from benchkit.report.definitions import definitions_of, notes_of
from benchkit.report.details import detail_tables
from benchkit.report.digits import clock_time
from benchkit.report.drawing import ArrayPool, Drawing, safe_json
from benchkit.report.drift import drift_of
from benchkit.report.highlights import highlights_of, overall_of
from benchkit.report.key import key_of
from benchkit.report.losses import WAYS, losses_of, tables_of
from benchkit.report.many import Many, many_of
from benchkit.report.method import decision_rules, planes
from benchkit.report.options import ReportOptions
from benchkit.report.plots import Plots, headline_of, make_plots, style_of
from benchkit.report.sheet import known_parameters, make_sheet
from benchkit.report.shell import shell
from benchkit.report.source import Source
from benchkit.report.title import incomplete_line, title_of
from benchkit.report.verdicts import verdict_table

__all__ = ["render"]

@dataclass(frozen=True)
class _Event:
    record: str
    time: str
    severity: str
    kind: str
    text: str


@dataclass(frozen=True)
class _SequenceText:
    """One sequence, the records that followed it, and how it differs from the first."""

    records: str
    name: str
    text: str
    digest: str
    difference: str


def render(sources: Sequence[Source], options: ReportOptions | None = None, *, monte_carlo: int = 0) -> str:
    """
    The report over one or several records, as one HTML text that needs nothing from anywhere else.

    The same records give the same text, byte for byte: the page says when the records were made, not when it was.
    """
    options = options or ReportOptions()
    pool = ArrayPool()
    plots = make_plots(sources, pool)
    many = many_of(sources, options, pool)
    sheet = make_sheet(sources)
    parameters = known_parameters(sources)
    losses = [row for source in sources for row in losses_of(source)]
    template, common = shell("page.html.j2")
    return template.render(
        **common,
        abridged=options.abridged,
        data=Markup(safe_json(_data(plots, many, pool))),
        title=title_of(sources),
        conditions=conditions_of(sources),
        headline=headline_of(plots),
        several=len(sources) > 1,
        cautions=cautions_of(sources),
        sheet=sheet,
        highlights=highlights_of(sheet),
        overall=overall_of(sheet),
        verdicts=verdict_table(sheet, sources),
        incomplete=[line for source in sources if (line := incomplete_line(source, several=len(sources) > 1))],
        details=detail_tables(sheet, parameters, several_records=len(sources) > 1),
        plots=plots,
        key=key_of(style_of(sources)),
        many=many,
        drifts=drift_of(sources, parameters),
        events=_events(sources),
        interim=[source.label for source in sources if source.is_interim],
        changed=[(source.label, ", ".join(source.changes)) for source in sources if source.changes],
        troubles=[f"{source.label}: the stored bench file cannot be read by this benchkit: {source.bench_trouble}"
                  for source in sources if source.bench_trouble],
        planes=planes(),
        losses=losses,
        ways=[(place, name) for place, name in enumerate(WAYS) if any(row.losses_db[place] for row in losses)],
        loss_tables=list(dict.fromkeys(line for source in sources for line in tables_of(source))),
        definitions=[*definitions_of(sheet), *notes_of(sources)],
        rules=decision_rules(sources),
        contributions=_contributions(sources),
        budgets=[] if options.abridged else budgets_of(sources, parameters, monte_carlo=monte_carlo),
        unstated=list(dict.fromkeys(line for one in sources for line in (*not_stated(one.bench), *kinds_not_stated(one)))),
        contradicted=list(dict.fromkeys(line for source in sources for line in contradicted(source))),
        instruments=instruments_of(sources),
        unprotected=list(dict.fromkeys(text for source in sources for text in missing_protections(source))),
        software=[(source.label, source.text("revision"), source.text("software").splitlines(), source.written_by)
                  for source in sources],
        warnings=list(dict.fromkeys(line for source in sources for line in source.text("warnings", "").splitlines())),
        digests=_digests(sources),
        sequences=_sequence_texts(sources),
        benches=_bench_texts(sources),
    )  # fmt: skip


def _data(plots: Plots, many: Many, pool: ArrayPool) -> Mapping[str, Any]:
    drawings: tuple[Drawing, ...] = (*plots.measured, *plots.course, *many.drawings)
    return {"arrays": pool.texts, "plots": [drawing.spec or None for drawing in drawings]}


def _events(sources: Sequence[Source]) -> list[_Event]:
    return [
        _Event(source.label, "" if math.isnan(time_s) else clock_time(time_s), severity, kind, text)
        for source in sources
        for time_s, severity, kind, text in zip(
            *(source.streams.events[name].tolist() for name in ("time_s", "severity", "kind", "text")), strict=True
        )
    ]


def _contributions(sources: Sequence[Source]) -> list[tuple[str, list[Any]]]:
    """By the records that share them."""
    found: dict[tuple[Any, ...], list[str]] = {}
    for source in sources:
        found.setdefault(tuple(contributions_of(source)), []).append(source.label)
    return [("" if len(labels) == len(sources) else ", ".join(labels), list(rows)) for rows, labels in found.items() if rows]


def _digests(sources: Sequence[Source]) -> list[tuple[str, str, str]]:
    """Record, what, SHA-256."""
    rows = []
    for source in sources:
        sealed = source.digest or "not sealed: no digest yet"
        rows += [
            (source.label, f"record {source.path.name}, id {source.record_id}", sealed),
            (source.label, f"sequence {source.text('sequence_file')}", source.sequence_digest),
            (source.label, f"bench {source.text('bench_file')}", source.bench_digest),
            *((source.label, f"table {name}", hashlib.sha256(data).hexdigest()) for name, data in source.files.items()),
        ]
    return rows


def _sequence_texts(sources: Sequence[Source]) -> list[_SequenceText]:
    return _texts([(s.label, s.text("sequence_file"), s.sequence_text) for s in sources])


def _bench_texts(sources: Sequence[Source]) -> list[_SequenceText]:
    return _texts([(s.label, s.text("bench_file"), s.bench_text) for s in sources])


def _texts(stored: Sequence[tuple[str, str, str]]) -> list[_SequenceText]:
    """Alike texts once; from the second on, with the difference from the first."""
    by_text: dict[str, list[tuple[str, str]]] = {}
    for label, name, text in stored:
        by_text.setdefault(text, []).append((label, name))
    first_text, first_names = next(iter(by_text.items()))
    found = []
    for text, names in by_text.items():
        lines = difflib.unified_diff(first_text.splitlines(), text.splitlines(), first_names[0][0], names[0][0], lineterm="", n=2)
        digest = hashlib.sha256(text.encode()).hexdigest()
        found.append(_SequenceText(", ".join(label for label, _ in names), names[0][1], text, digest, "\n".join(lines)))
    return found
