"""The third wall: every reading against the limits of device and bench."""

from __future__ import annotations

import math

from benchkit.errors import LimitError
from benchkit.measurements.base import Reading
from benchkit.sequence.load import Sequence

__all__ = ["Walls"]


class Walls:
    """The sequence's limits, ready to be held against a reading."""

    def __init__(self, sequence: Sequence) -> None:
        limits = sequence.file.limits
        name = sequence.path.name
        # column, upper limit, unit, key; a NaN reading (nothing measured) passes here and is told where it is used
        self._upper: tuple[tuple[str, str, float, str, str], ...] = tuple(
            (column, what, limit, unit, f"{name}: limits.{key}")
            for column, what, limit, unit, key in (
                ("drain_current_a", "drain current", limits.drain_current_max_a, "A", "drain_current_max"),
                ("drain_voltage_v", "drain voltage", limits.drain_voltage_max_v, "V", "drain_voltage_max"),
                ("gate_voltage_v", "gate voltage", limits.gate_voltage_max_v, "V", "gate_voltage_max"),
                ("output_dbm", "output power", limits.output_power_max_dbm, "dBm", "output_power_max"),
                ("input_dbm", "input power", limits.input_power_max_dbm, "dBm", "input_power_max"),
                ("case_degc", "case temperature", limits.temperature_max_degc, "°C", "temperature_max"),
            )
        )
        self._lower: tuple[tuple[str, str, float, str, str], ...] = (
            ("gate_voltage_v", "gate voltage", limits.gate_voltage_min_v, "V", f"{name}: limits.gate_voltage_min"),
            ("case_degc", "case temperature", limits.temperature_min_degc, "°C", f"{name}: limits.temperature_min"),
        )
        self._gate_current = (limits.gate_current_max_a, f"{name}: limits.gate_current_max")
        self._dissipation = (limits.dissipation_max_w, f"{name}: limits.dissipation_max")

    def check(self, reading: Reading, where: str) -> None:
        """
        Hold one reading against every limit.

        Args:
            where: For the message, e.g. "channel A".

        Raises:
            LimitError: The first limit that is passed.
        """
        for column, what, limit, unit, source in self._upper:
            if reading.get(column, limit) > limit:
                raise LimitError(f"{what}, {where}", reading[column], limit, unit, source)
        for column, what, limit, unit, source in self._lower:
            if reading.get(column, limit) < limit:
                raise LimitError(f"{what}, {where}", reading[column], limit, unit, source, "below")
        gate_a = reading.get("gate_current_a", 0.0)
        if abs(gate_a) > self._gate_current[0]:
            raise LimitError(f"gate current, {where}", abs(gate_a), self._gate_current[0], "A", self._gate_current[1])
        limit_w = self._dissipation[0]
        if limit_w is not None:
            # Heat = DC + RF in - RF out. RF out counts only when it was read; then DC alone is the safe side.
            dissipated_w = reading.get("drain_voltage_v", 0.0) * reading.get("drain_current_a", 0.0)
            output_dbm = reading.get("output_dbm", math.nan)
            if not math.isnan(output_dbm):
                dissipated_w -= 1e-3 * 10.0 ** (output_dbm / 10.0)
            if dissipated_w > limit_w:
                raise LimitError(f"dissipation, {where}", dissipated_w, limit_w, "W", self._dissipation[1])
