"""
Measured beside simulated or earlier data: the imported dashed, and the difference over frequency as numbers and as a plot.

Compared at the measured frequencies that lie within the file's band; between the file's points by straight lines (levels in dB,
phases along their turns), never beyond its ends. A file with one frequency for a parameter is compared at that one alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchkit.errors import FileError, Mistake
from benchkit.report.curves import PHASE, S_CURVES, Curve, curves_of, where_text
from benchkit.report.digits import decimals_for, difference_unit, fixed, gigahertz, plain
from benchkit.report.drawing import ArrayPool, Drawing, draw
from benchkit.report.imported import Imported
from benchkit.report.source import Source
from benchkit.report.style import Series, Style
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.result import Parameter

__all__ = ["AgainstRow", "AgainstSection", "Difference", "against_section", "difference"]

Floats = NDArray[np.float64]
SAME_HZ = 1e-9  # relative: what writing a frequency into a file may cost
LARGEST_STEP_DEG = 90.0
"""A step of phase above this may as well be one the other way round."""
DIGITS = 3


@dataclass(frozen=True)
class Difference:
    """
    Measured less imported.

    Attributes:
        hz, values: Where both are, shape (n,). NaN frequency: the parameter has none.
        expanded: U of the difference, what is known of both; NaN: not known for the measured one.
        left_out: Measured frequencies outside the file's band.
        reason: Why there is none; else "".
    """

    hz: Floats
    values: Floats
    expanded: Floats
    left_out: int
    reason: str = ""

    @property
    def worst_at(self) -> int:
        return int(np.argmax(np.abs(self.values)))


@dataclass(frozen=True)
class AgainstRow:
    """One measured curve against one imported one, as printed. `en`: at the worst, where both uncertainties are known."""

    file: str
    label: str
    record: str
    where: str
    band: str
    mean: str
    worst: str
    worst_at: str
    uncertainty: str
    en: str
    unit: str
    note: str


@dataclass(frozen=True)
class AgainstSection:
    """`files`: name, what it belongs to, SHA-256. `drawings`: two for each parameter, curves and differences."""

    files: tuple[tuple[str, str, str], ...]
    rows: tuple[AgainstRow, ...]
    drawings: tuple[Drawing, ...]


@dataclass(frozen=True)
class _Pair:
    imported: int
    file: Imported
    theirs: Curve
    record: str
    ours: Curve
    found: Difference


def against_section(
    sources: Sequence[Source],
    files: Sequence[Imported],
    parameters: Mapping[str, Parameter],
    style: Style,
    pool: ArrayPool,
    note: str,
) -> AgainstSection:
    """
    Raises:
        FileError: A curve belongs to nothing that was measured, or has no frequency in common with it.
    """
    measured = [(source.label, curve) for source in sources for curve in curves_of(source)]
    pairs: list[_Pair] = []
    mistakes: list[Mistake] = []
    for place, file in enumerate(files):
        for theirs in file.curves:
            same = [(label, ours) for label, ours in measured if _names(ours) == _names(theirs)]
            fitting = [(label, ours) for label, ours in same if _fits(file, theirs, ours)]
            found = [_Pair(place, file, theirs, label, ours, difference(ours, theirs)) for label, ours in fitting]
            pairs += found
            is_one_of_many = len(file.curves) > 1 and theirs.parameter in S_CURVES
            if not found and not (is_one_of_many and same and theirs.parameter != "s21"):
                mistakes.append(Mistake(file.path, None, theirs.parameter, _no_match(theirs, [one for _, one in same])))
            elif found and not any(len(one.found.values) or one.found.reason for one in found):
                mistakes.append(Mistake(file.path, None, theirs.parameter, _no_frequency(theirs, found[0].ours)))
    if mistakes:
        raise FileError(mistakes)
    drawings: list[Drawing] = []
    for of_parameter in _by_parameter(pairs).values():
        drawings += _drawings(of_parameter, parameters, style, pool, note)
    return AgainstSection(
        tuple((file.name, file.where, file.sha256) for file in files),
        tuple(_row(pair, parameters) for pair in pairs),
        tuple(drawings),
    )


def difference(ours: Curve, theirs: Curve) -> Difference:
    """Measured less imported, of one parameter in one unit."""
    nothing = np.empty(0)
    if ours.has_frequency != theirs.has_frequency:
        return Difference(nothing, nothing, nothing, len(ours.hz))
    if not ours.has_frequency:
        expanded = np.hypot(ours.expanded[:1], np.nan_to_num(theirs.expanded[:1]))
        return Difference(ours.hz[:1], ours.values[:1] - theirs.values[:1], expanded, 0)
    phase = ours.parameter == PHASE
    values = theirs.values
    if phase:
        steps = np.abs((np.diff(values) + 180.0) % 360.0 - 180.0)
        if steps.size and steps.max() > LARGEST_STEP_DEG:
            at = gigahertz(float(theirs.hz[int(steps.argmax())]))
            reason = f"the file's phase steps by {steps.max():.0f}\N{DEGREE SIGN} after {at}: its turns cannot be counted"
            return Difference(nothing, nothing, nothing, len(ours.hz), reason)
        values = np.degrees(np.unwrap(np.radians(values)))
    slack = SAME_HZ * theirs.hz[-1]
    inside = (ours.hz >= theirs.hz[0] - slack) & (ours.hz <= theirs.hz[-1] + slack)
    kept = inside & np.isfinite(ours.values)
    hz = ours.hz[kept]
    # np.interp holds its ends: only what the slack lets in can lie there.
    found = ours.values[kept] - np.interp(hz, theirs.hz, values)
    if phase:
        found = -((180.0 - found) % 360.0 - 180.0)
    expanded = np.hypot(ours.expanded[kept], np.interp(hz, theirs.hz, np.nan_to_num(theirs.expanded)))
    return Difference(hz, found, expanded, int((~inside).sum()))


def _names(curve: Curve) -> tuple[str, str, str]:
    return curve.parameter, curve.qualifier, curve.unit


def _fits(file: Imported, theirs: Curve, ours: Curve) -> bool:
    stated, at = theirs.condition, ours.condition
    if stated.channel is not None and stated.channel != at.channel:
        return False
    if stated.supply_voltage_v is not None and (
        at.supply_voltage_v is None or not math.isclose(stated.supply_voltage_v, at.supply_voltage_v, rel_tol=1e-9)
    ):
        return False
    if ours.has_frequency != theirs.has_frequency:
        return False
    if stated.temperature_degc is None:
        return True
    if at.temperature_degc is None:
        return file.takes_unset
    return abs(stated.temperature_degc - at.temperature_degc) < 0.01


def _no_match(theirs: Curve, same: Sequence[Curve]) -> str:
    if not same:
        what = f"{theirs.parameter} {theirs.qualifier}".strip()
        hint = "; only S-parameters corrected to the device's planes are compared" if theirs.parameter in S_CURVES else ""
        return f"no record has {what} in {theirs.unit}{hint}"
    there = "; ".join(dict.fromkeys(where_text(one.condition) or "no condition" for one in same))
    over = "" if theirs.has_frequency else ", with no frequency stated"
    asked = where_text(theirs.condition) or "any condition"
    return f"belongs to {asked}{over}; measured was {there}: say which after an @, as FILE@+25,A"


def _no_frequency(theirs: Curve, ours: Curve) -> str:
    def band(curve: Curve) -> str:
        return f"{gigahertz(float(curve.hz[0]))} to {gigahertz(float(curve.hz[-1]))}"

    return f"has no frequency in common with what was measured: {band(theirs)} in the file, {band(ours)} measured"


def _by_parameter(pairs: Sequence[_Pair]) -> dict[tuple[str, ...], list[_Pair]]:
    found: dict[tuple[str, ...], list[_Pair]] = {}
    for pair in pairs:
        if pair.ours.has_frequency:
            found.setdefault((*_names(pair.ours), pair.ours.measurement), []).append(pair)
    return found


def _label(curve: Curve, parameters: Mapping[str, Parameter]) -> str:
    known = S_CURVES.get(curve.parameter)
    label = known[0] if known else parameters[curve.parameter].label if curve.parameter in parameters else curve.parameter
    return f"{label}, {curve.qualifier}" if curve.qualifier else label


def _drawings(
    pairs: Sequence[_Pair], parameters: Mapping[str, Parameter], style: Style, pool: ArrayPool, note: str
) -> Iterator[Drawing]:
    first = pairs[0].ours
    label, unit = _label(first, parameters), "°" if first.unit == "deg" else first.unit
    x = Axis("Frequency (GHz)")
    curves = {(pair.record, id(pair.ours)): Series(_trace(pair.ours, _shown(pair.ours)), pair.record) for pair in pairs}
    dashed = {
        (pair.imported, id(pair.theirs)): Series(
            _trace(pair.theirs, _shown(pair.theirs), f"NOT MEASURED HERE: {pair.file.name}"), "", pair.imported
        )
        for pair in pairs
    }
    names = ", ".join(dict.fromkeys(pair.file.name for pair in pairs))
    figure = Figure(
        f"against-{first.parameter}-{first.qualifier}-{first.measurement}",
        f"{label}: measured, and {names}", x, Axis(f"{label} at {first.plane} ({unit})"),
        caption=f"Dashed: imported from {names}, not measured here.",
    )  # fmt: skip
    yield draw(figure, {"": [*curves.values(), *dashed.values()]}, style, pool, note=note)
    several = len({pair.imported for pair in pairs}) > 1
    less = {
        place: Series(
            Trace(
                f"{where_text(pair.ours.condition)}, less {pair.file.name}" if several else where_text(pair.ours.condition),
                pair.found.hz / 1e9, pair.found.values, pair.ours.condition.temperature_degc, pair.ours.condition.channel,
            ),
            pair.record,
        )
        for place, pair in enumerate(pairs)
    }  # fmt: skip
    unit = "°" if unit == "°" else difference_unit(unit)
    figure = Figure(
        f"difference-{first.parameter}-{first.qualifier}-{first.measurement}",
        f"{label}: measured less {names}", x, Axis(f"Difference of {label} ({unit})"),
        caption="At measured frequencies within the file's band only.",
    )  # fmt: skip
    yield draw(figure, {"": list(less.values())}, style, pool, note=note)


def _shown(curve: Curve) -> Floats:
    return np.degrees(np.unwrap(np.radians(curve.values))) if curve.parameter == PHASE else curve.values


def _trace(curve: Curve, values: Floats, name: str = "") -> Trace:
    told = ", ".join(filter(None, [name, where_text(curve.condition)]))
    at = curve.condition
    return Trace(told, curve.hz / 1e9, values, at.temperature_degc, at.channel, "lines" if name else "lines+markers")


def _row(pair: _Pair, parameters: Mapping[str, Parameter]) -> AgainstRow:
    found, ours = pair.found, pair.ours
    notes = [found.reason] if found.reason else []
    if found.left_out and not found.reason:
        notes.append(f"{found.left_out} of {len(ours.hz)} measured frequencies lie outside the file's band: not compared")
    common = (pair.file.name, _label(ours, parameters), pair.record, where_text(ours.condition))
    unit = "°" if ours.unit == "deg" else difference_unit(ours.unit)
    if not len(found.values):
        return AgainstRow(*common, "", "", "", "", "", "", unit, "; ".join(notes) or "no frequency in common")
    worst = found.worst_at
    expanded, theirs = float(found.expanded[worst]), pair.theirs.expanded
    known = math.isfinite(expanded) and expanded > 0
    en = known and np.isfinite(theirs).all()

    def text(value: float) -> str:
        return fixed(value, decimals_for(expanded), signed=True) if known else _signed(value)

    band = ""
    if ours.has_frequency:
        many = f"{len(found.hz)} frequencies, " if len(found.hz) > 1 else ""
        ends = dict.fromkeys((gigahertz(float(found.hz[0])), gigahertz(float(found.hz[-1]))))
        band = many + " to ".join(ends)
    return AgainstRow(
        *common, band, text(float(found.values.mean())), text(float(found.values[worst])),
        gigahertz(float(found.hz[worst])) if ours.has_frequency else "",
        fixed(expanded, decimals_for(expanded)) if known else "",
        _signed(float(found.values[worst]) / expanded) if en else "", unit, "; ".join(notes),
    )  # fmt: skip


def _signed(value: float) -> str:
    return f"+{plain(value, DIGITS)}" if value > 0 else plain(value, DIGITS)
