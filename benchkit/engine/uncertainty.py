"""
Standard uncertainty of each reading, from the accuracies and path uncertainties in the bench file.

An accuracy is a limit of error: rectangular, u = a / sqrt(3) (JCGM 100, 4.3.7). A path's uncertainty is expanded, k = 2.
"""

from __future__ import annotations

import math

from benchkit.bench.model import (
    AmpereAccuracy,
    BenchFile,
    PowerMeterSettings,
    SourceSettings,
    SupplySettings,
    VoltAccuracy,
    VoltmeterSettings,
)
from benchkit.engine.hookup import Hookup

__all__ = ["Accuracies"]

SQRT3 = math.sqrt(3.0)


class Accuracies:
    """The accuracies of the instruments of one channel, ready for use at every point."""

    def __init__(self, bench: BenchFile, hookup: Hookup) -> None:
        wiring = bench.wiring.channels[hookup.channel]
        source, meter = bench.instruments[wiring.input.source], bench.instruments[wiring.output.power_meter]
        drain, gate = bench.instruments[wiring.drain.supply], bench.instruments[wiring.gate.supply]
        assert isinstance(source, SourceSettings), "load_bench checks roles"
        assert isinstance(meter, PowerMeterSettings), "load_bench checks roles"
        assert isinstance(drain, SupplySettings), "load_bench checks roles"
        assert isinstance(gate, SupplySettings), "load_bench checks roles"
        self.meter_range_dbm = (meter.range_min_dbm, meter.range_max_dbm)
        self._source_db, self._meter_db = source.level_accuracy_db, meter.accuracy_db
        self._drain = drain.channels[wiring.drain.channel]
        self._gate = gate.channels[wiring.gate.channel]
        pins = [pin for pin in (wiring.detector, wiring.reference) if pin is not None]
        self._voltmeters: list[VoltAccuracy] = []
        for pin in pins:
            voltmeter = bench.instruments[pin.voltmeter]
            assert isinstance(voltmeter, VoltmeterSettings), "load_bench checks roles"
            self._voltmeters.append(voltmeter.voltage_accuracy)

    def u_input_db(self, path_expanded_db: float) -> float:
        """Level at the device's input: the source's error and the path's. [dB]"""
        return math.hypot(self._source_db / SQRT3, path_expanded_db / 2)

    def u_output_db(self, path_expanded_db: float) -> float:
        """Level at the device's output: the meter's error and the path's. [dB]"""
        return math.hypot(self._meter_db / SQRT3, path_expanded_db / 2)

    def u_drain_voltage_v(self, value_v: float) -> float:
        return _volts(self._drain.voltage_accuracy, value_v)

    def u_drain_current_a(self, value_a: float) -> float:
        return _amperes(self._drain.current_accuracy, value_a)

    def u_gate_voltage_v(self, value_v: float) -> float:
        return _volts(self._gate.voltage_accuracy, value_v)

    def u_detector_v(self, detector_v: float, reference_v: float) -> float:
        """Of detector minus reference. [V]"""
        values = (detector_v, reference_v)
        return math.sqrt(
            sum(_volts(accuracy, value) ** 2 for accuracy, value in zip(self._voltmeters, values, strict=False))
        ) if self._voltmeters else math.nan  # fmt: skip


def _volts(accuracy: VoltAccuracy, value_v: float) -> float:
    return (abs(value_v) * accuracy.of_reading_percent / 100 + accuracy.floor_v) / SQRT3


def _amperes(accuracy: AmpereAccuracy, value_a: float) -> float:
    return (abs(value_a) * accuracy.of_reading_percent / 100 + accuracy.floor_a) / SQRT3
