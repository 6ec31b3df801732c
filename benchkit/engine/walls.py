"""
The third wall: every reading against the limits of the device. What is beyond one ends the run at once, at the first
reading; there is no second chance and no averaging.

A reading that is not a number is not below a limit: where a quantity guards the part, it is a wall itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchkit.errors import LimitError
from benchkit.sequence.load import Sequence

__all__ = ["Walls"]

# An excursion near a limit has ended when the reading is further away than this many margins: noise at the edge of the
# margin must not make an event of every point.
ENDED_AT_MARGINS = 1.2

Note = Callable[[str, str, str], None]
"""Kind, text, severity."""


@dataclass(frozen=True)
class _Bound:
    """One quantity's limits; `low_source` and `high_source` say which file and key set them."""

    column: str
    what: str
    unit: str
    low: float
    high: float
    low_source: str
    high_source: str
    margin: float

    @property
    def soft(self) -> tuple[float, float]:
        return self.low + self.margin, self.high - self.margin


class Walls:
    """
    The sequence's limits, ready to be held against a reading.

    Args:
        note: Told of near misses, once when a reading comes near a limit and again only after it was away from it.
    """

    def __init__(self, sequence: Sequence, note: Note) -> None:
        limits = sequence.file.limits
        name = sequence.path.name
        part = limits.near_miss_percent / 100
        self._note = note
        self._part = part
        self._near: set[tuple[str, str]] = set()

        def key(word: str) -> str:
            return f"{name}: limits.{word}"

        def magnitude(column: str, what: str, unit: str, limit: float, word: str) -> _Bound:
            return _Bound(column, what, unit, -limit, limit, key(word), key(word), part * limit)

        def span(column: str, what: str, unit: str, low: float, high: float, word: str) -> _Bound:
            return _Bound(column, what, unit, low, high, key(f"{word}_min"), key(f"{word}_max"), part * (high - low))

        def level(column: str, what: str, limit: float, word: str) -> _Bound:
            return _Bound(column, what, "dBm", -math.inf, limit, "", key(word), -10.0 * math.log10(1.0 - part))

        guards = (
            magnitude("drain_current_a", "drain current", "A", limits.drain_current_max_a, "drain_current_max"),
            magnitude("drain_voltage_v", "drain voltage", "V", limits.drain_voltage_max_v, "drain_voltage_max"),
            span("gate_voltage_v", "gate voltage", "V", limits.gate_voltage_min_v, limits.gate_voltage_max_v, "gate_voltage"),
            magnitude("gate_current_a", "gate current", "A", limits.gate_current_max_a, "gate_current_max"),
        )
        others = (
            level("output_dbm", "output power", limits.output_power_max_dbm, "output_power_max"),
            # More gain than the device can have is not gain: the level at its input is not the one that was set, it oscillates,
            # or a path is not what its table says. Whichever it is, nothing known about the drive holds any more.
            _Bound("gain_db", "gain", "dB", -math.inf, limits.gain_max_db, "", key("gain_max"), 0.0),
            level("input_dbm", "input power", limits.input_power_max_dbm, "input_power_max"),
            span(
                "case_degc", "case temperature", "°C", limits.temperature_min_degc, limits.temperature_max_degc, "temperature"
            ),
        )
        # This runs at every point: plain tuples, and one comparison that a number well inside passes and NaN does not.
        self._guards = tuple((bound.column, *bound.soft, bound) for bound in guards)
        # These may be absent or NaN where nothing was measured; what must be there is looked after where it is read.
        self._others = tuple((bound.column, *bound.soft, bound) for bound in others)
        self._dissipation_w = limits.dissipation_max_w
        high_w = math.inf if limits.dissipation_max_w is None else limits.dissipation_max_w
        self._dissipation = _Bound(
            "dissipation_w", "dissipation", "W", -math.inf, high_w, "", key("dissipation_max"),
            0.0 if limits.dissipation_max_w is None else part * high_w,
        )  # fmt: skip

    def check(self, reading: Mapping[str, float], where: str) -> None:
        """
        Hold one reading against every limit.

        Raises:
            LimitError: As check_guards() and check_rest().
        """
        self.check_guards(reading, where)
        self.check_rest(reading, where)

    def check_guards(self, reading: Mapping[str, float], where: str) -> None:
        """
        Hold drain and gate against their limits.

        Args:
            reading: With drain and gate, voltage and current; what else it has.
            where: For the message, e.g. "channel A".

        Raises:
            LimitError: The first limit that is passed, or that a guarding quantity which is no number cannot be held against.
        """
        near = self._near
        for column, low, high, bound in self._guards:
            value = reading[column]
            if not low <= value <= high:
                self._look(bound, value, where)
            elif near:
                self._away(bound, value, where)

    def check_rest(self, reading: Mapping[str, float], where: str) -> None:
        """
        Hold RF levels, case temperature and dissipation against their limits, as far as they were read.

        Raises:
            LimitError: The first limit that is passed.
        """
        near, get = self._near, reading.get
        for column, low, high, bound in self._others:
            value = get(column, math.nan)
            if value > high or value < low:
                self._look(bound, value, where)
            elif near:
                self._away(bound, value, where)
        if self._dissipation_w is not None:
            # Heat = DC + RF in - RF out. RF out counts only when it was read; then DC alone is the safe side.
            dissipated_w = reading["drain_voltage_v"] * reading["drain_current_a"]
            output_dbm = get("output_dbm", math.nan)
            if output_dbm == output_dbm:
                dissipated_w -= 1e-3 * 10.0 ** (output_dbm / 10.0)
            bound = self._dissipation
            if not dissipated_w <= bound.high - bound.margin:
                self._look(bound, dissipated_w, where)
            elif near:
                self._away(bound, dissipated_w, where)

    def _look(self, bound: _Bound, value: float, where: str) -> None:
        """Not well inside: beyond a limit, no number, or near a limit."""
        what = f"{bound.what}, {where}"
        if math.isnan(value):
            raise LimitError(
                f"{what} (the instrument gave no number)", value, bound.high, bound.unit, bound.high_source,
                "not a number, so it cannot be said to be below",
            )  # fmt: skip
        if value > bound.high:
            raise LimitError(what, value, bound.high, bound.unit, bound.high_source)
        if value < bound.low:
            raise LimitError(what, value, bound.low, bound.unit, bound.low_source, "below")
        if (bound.column, where) in self._near:
            return
        self._near.add((bound.column, where))
        is_high = value > bound.soft[1]
        limit, source = (bound.high, bound.high_source) if is_high else (bound.low, bound.low_source)
        self._note(
            "near miss",
            f"{what}: {value:.6g} {bound.unit} is within {bound.margin:.3g} {'dB' if bound.unit == 'dBm' else bound.unit} of the "
            f"limit {limit:.6g} {bound.unit} ({source}; limits.near_miss {100 * self._part:g} %); the run goes on",
            "warning",
        )

    def _away(self, bound: _Bound, value: float, where: str) -> None:
        """Well inside again: the next time is another excursion."""
        room = ENDED_AT_MARGINS * bound.margin
        if (bound.column, where) in self._near and bound.low + room <= value <= bound.high - room:
            self._near.discard((bound.column, where))
