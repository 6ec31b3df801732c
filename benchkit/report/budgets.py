"""What the uncertainties are made of: one budget per parameter, at the condition where it is largest, largest line first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.bench.load import Bench
from benchkit.bench.model import NetworkAnalyserSettings, PowerMeterSettings, SourceSettings
from benchkit.report.checks import place_text, value_text
from benchkit.report.digits import difference_unit, scale_for
from benchkit.report.source import Source
from benchkit.results.absent import Absent
from benchkit.results.budget_check import check_budget
from benchkit.results.result import Parameter, Result
from benchkit.results.uncertainty import Contribution

__all__ = ["BudgetLine", "BudgetTable", "budgets_of", "kinds_not_stated", "not_stated"]

# Of the variance; what is smaller is told in one line together.
SHOWN_PERCENT = 0.1
# In a print, where a parameter has one row.
MOST_IN_BRIEF = 3
# Of the uncertainty, and of the number it is made from: what arithmetic leaves over.
NOTHING, RESIDUE = 1e-9, 1e-14


@dataclass(frozen=True)
class BudgetLine:
    """One contribution as printed; `amount` in the unit of the table, `share` of the variance."""

    name: str
    distribution: str
    amount: str
    share: str


@dataclass(frozen=True)
class BudgetTable:
    """
    One parameter's budget as printed.

    Attributes:
        where: The condition of the result, and its record where there are several.
        value: With its expanded uncertainty.
        combined: u of the last row, in `unit`.
        monte_carlo: The comparison, in words; "" when none was asked for.
        brief: Its largest contributions in a line, each with u and its share, and all smaller ones together.
    """

    label: str
    where: str
    value: str
    unit: str
    lines: tuple[BudgetLine, ...]
    combined: str
    expanded: str
    monte_carlo: str
    brief: str


def budgets_of(sources: Sequence[Source], parameters: Mapping[str, Parameter], *, monte_carlo: int = 0) -> list[BudgetTable]:
    """
    Budgets by parameter and qualifier, in the order of the results.

    Args:
        parameters: Labels by name.
        monte_carlo: Trials to compare the linear law with; 0: none.
    """
    widest: dict[tuple[str, str, str], tuple[Source, Result]] = {}
    for source in sources:
        for result in source.results:
            if not result.budget or not math.isfinite(result.expanded_uncertainty):
                continue
            if not any(abs(line.amount) > _residue(result) for line in result.budget):
                continue
            key = (result.measurement, result.parameter, result.qualifier)
            if key not in widest or result.expanded_uncertainty > widest[key][1].expanded_uncertainty:
                widest[key] = (source, result)
    return [_table(source, result, parameters, len(sources) > 1, monte_carlo) for source, result in widest.values()]


def _table(
    source: Source, result: Result, parameters: Mapping[str, Parameter], several: bool, monte_carlo: int
) -> BudgetTable:
    scale = scale_for(result.unit, [result.value], result.parameter)
    variance = sum(line.amount**2 for line in result.budget)
    shares = [
        (line, 100 * line.amount**2 / variance if variance > 0 else 0.0)
        for line in result.budget
        if abs(line.amount) > _residue(result)
    ]
    shares.sort(key=lambda one: -one[1])
    lines = [
        BudgetLine(line.name, _shape(line), _two(line.amount * scale.factor), f"{share:.1f}")
        for line, share in shares
        if share >= SHOWN_PERCENT
    ]
    small = [(line, share) for line, share in shares if share < SHOWN_PERCENT]
    if small:
        together = math.hypot(*(line.amount for line, _ in small)) * scale.factor
        names = ", ".join(line.name for line, _ in small)
        lines.append(BudgetLine(f"smaller ones together: {names}", "", _two(together), f"{sum(share for _, share in small):.1f}"))
    known = parameters.get(result.parameter)
    label = (known.label if known else result.parameter) + (f", {result.qualifier}" if result.qualifier else "")
    combined, unit = result.expanded_uncertainty / 2 * scale.factor, difference_unit(scale.unit)
    return BudgetTable(
        label=label,
        where=place_text(result) + (f", {source.label}" if several else ""),
        value=value_text(result),
        unit=unit,
        lines=tuple(lines),
        combined=_two(combined),
        expanded=_two(2 * combined),
        monte_carlo=_compared(result, scale.factor, unit, monte_carlo) if monte_carlo else "",
        brief=_brief(shares, scale.factor, f" {unit}" if unit else ""),
    )


def _residue(result: Result) -> float:
    """What is no larger is left over from rounding, and zero: of a number of this size, or of one near 1 that cancelled out."""
    return max(NOTHING * result.expanded_uncertainty, RESIDUE * max(1.0 if result.unit in ("1", "") else 0.0, abs(result.value)))


def _brief(shares: Sequence[tuple[Contribution, float]], factor: float, unit: str) -> str:
    """The largest contributions in a line, and all others together. Shares in per cent, largest first."""
    shown, others = shares[:MOST_IN_BRIEF], shares[MOST_IN_BRIEF:]
    told = [f"{line.name} {_two(line.amount * factor)}{unit} ({share:.1f} %)" for line, share in shown]
    if others:
        together = math.hypot(*(line.amount for line, _ in others)) * factor
        told.append(f"smaller ones together {_two(together)}{unit} ({sum(share for _, share in others):.1f} %)")
    return "; ".join(told)


def _compared(result: Result, factor: float, unit: str, trials: int) -> str:
    found = check_budget(result.value, result.budget, relative=result.unit == "%" and result.value > 0, trials=trials)
    if isinstance(found, Absent):
        return f"Monte Carlo: {found.reason}"
    verdict = (
        "agree" if found.agrees
        else "U by the linear law is larger than it need be" if found.is_covered
        else "U by the linear law is too small"
    )  # fmt: skip
    low, high, linear, tolerance = (
        _two(one * factor) for one in (found.low, found.high, found.linear, found.tolerance)
    )
    return (
        f"Monte Carlo ({found.trials} trials, seed {found.seed}): {low} to +{high} {unit} hold 95.45 %; "
        f"linear ± {linear} {unit}: {verdict} (tolerance {tolerance} {unit}, JCGM 101, 8.2)"
    )


def not_stated(bench: Bench | None) -> list[str]:
    """What the bench file does not state and the budgets therefore leave out, in words."""
    if bench is None:
        return []
    found: list[str] = []
    for name, wiring in bench.file.wiring.channels.items():
        sides = [("input", wiring.input.mismatch), ("output", wiring.output.mismatch)]
        missing = [side for side, stated in sides if stated is None]
        if missing:
            found.append(f"channel {name}: mismatch not stated at the device's {' and '.join(missing)}")
    for name, settings in bench.file.instruments.items():
        keys: dict[str, object] = {}
        if isinstance(settings, SourceSettings):
            keys = {"linearity": settings.linearity_db, "resolution": settings.resolution_db}
        elif isinstance(settings, PowerMeterSettings):
            keys = {
                "linearity": settings.linearity_db, "zero": settings.zero_dbm, "noise": settings.noise_db,
                "resolution": settings.resolution_db,
            }  # fmt: skip
        elif isinstance(settings, NetworkAnalyserSettings):
            keys = {
                "trace_noise": settings.trace_noise, "noise_floor": settings.noise_floor_dbm,
                "linearity": settings.linearity_db, "drift": settings.drift_db,
            }  # fmt: skip
        absent = [key for key, value in keys.items() if value is None]
        if absent:
            found.append(f"{name}: {', '.join(absent)} not stated")
    return found


def kinds_not_stated(source: Source) -> list[str]:
    """Likewise the sequence's measurements."""
    blocks = () if source.sequence is None else source.sequence.file.measurements
    return [line for block in blocks for line in block.not_stated()]


def _shape(line: Contribution) -> str:
    few = "" if math.isinf(line.degrees_of_freedom) else f", {line.degrees_of_freedom:.0f} degrees of freedom"
    return line.distribution + few


def _two(value: float) -> str:
    """Two significant digits, without an exponent where it can be read so."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    digits = 1 - math.floor(math.log10(abs(value)))
    return f"{value:.{max(0, digits)}f}" if digits < 7 else f"{value:.1e}"
