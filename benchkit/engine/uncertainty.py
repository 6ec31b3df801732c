"""
Standard uncertainty of each reading, from the accuracies and path uncertainties in the bench file.

An accuracy is a limit of error: rectangular, u = a / sqrt(3) (JCGM 100, 4.3.7). A path's uncertainty is expanded, k = 2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchkit.bench.model import (
    AmpereAccuracy,
    BenchFile,
    MismatchSettings,
    PowerMeterSettings,
    SourceSettings,
    SupplyChannelRatings,
    SupplyPin,
    SupplySettings,
    VoltAccuracy,
    VoltmeterSettings,
)
from benchkit.engine.hookup import Hookup
from benchkit.results.matching import mismatch

__all__ = ["Accuracies", "difference_db", "mismatch_db"]

SQRT3 = math.sqrt(3.0)


class Accuracies:
    """The accuracies of the instruments of one channel, ready for use at every point."""

    def __init__(self, bench: BenchFile, hookup: Hookup) -> None:
        wiring = bench.wiring.channels[hookup.channel]
        source, meter = bench.instruments[wiring.input.source], bench.instruments[wiring.output.power_meter]
        assert isinstance(source, SourceSettings), "load_bench checks roles"
        assert isinstance(meter, PowerMeterSettings), "load_bench checks roles"
        self.meter_range_dbm = (meter.range_min_dbm, meter.range_max_dbm)
        self._source_db, self._meter_db = source.level_accuracy_db, meter.accuracy_db
        self._input_mismatch_db = mismatch_db(wiring.input.mismatch)
        self._output_mismatch_db = mismatch_db(wiring.output.mismatch)
        self._zero_mw = math.nan if meter.zero_dbm is None else math.pow(10.0, meter.zero_dbm / 10.0)
        self._constant: dict[str, float] = {
            "u_source_db": self._source_db / SQRT3,
            "u_input_mismatch_db": self._input_mismatch_db,
            "u_meter_db": self._meter_db / SQRT3,
            "u_output_mismatch_db": self._output_mismatch_db,
            "u_meter_resolution_db": math.nan if meter.resolution_db is None else meter.resolution_db / 2 / SQRT3,
            "u_meter_noise_db": math.nan if meter.noise_db is None else meter.noise_db,
            "u_meter_linearity_db": math.nan if meter.linearity_db is None else meter.linearity_db / SQRT3,
            "u_source_linearity_db": _linearity_db(source),
        }
        self._drains = [_ratings(bench, pin) for pin in wiring.drains]
        # The gate voltage on record is the last gate's (see biasing.as_one).
        self._drain, self._gate = self._drains[0], _ratings(bench, wiring.gates[-1])
        pins = [pin for pin in (wiring.detector, wiring.reference) if pin is not None]
        self._voltmeters: list[VoltAccuracy] = []
        for pin in pins:
            voltmeter = bench.instruments[pin.voltmeter]
            assert isinstance(voltmeter, VoltmeterSettings), "load_bench checks roles"
            self._voltmeters.append(voltmeter.voltage_accuracy)

    def u_input_db(self, path_expanded_db: float) -> float:
        """Level at the device's input: the source's error, the path's, and mismatch where it is stated. [dB]"""
        return _combined(self._source_db / SQRT3, path_expanded_db / 2, self._input_mismatch_db)

    def u_output_db(self, path_expanded_db: float) -> float:
        """
        Level at the device's output: the meter's error, the path's, and mismatch where it is stated; zero and resolution, which
        count at low levels, apart. [dB]
        """
        return _combined(self._meter_db / SQRT3, path_expanded_db / 2, self._output_mismatch_db)

    def parts(self, input_expanded_db: float, output_expanded_db: float) -> dict[str, float]:
        """Columns that take u_input_db and u_output_db apart, and those of differences; NaN: not stated. [dB]"""
        return {**self._constant, "u_input_path_db": input_expanded_db / 2, "u_output_path_db": output_expanded_db / 2}

    def u_zero_db(self, meter_dbm: float) -> float:
        """Of a reading at this level: a zero is a power, and small beside a large one. NaN: not stated. [dB]"""
        return 10.0 / math.log(10.0) * self._zero_mw / math.pow(10.0, meter_dbm / 10.0) / SQRT3

    def u_drain_voltage_v(self, value_v: float) -> float:
        return _volts(self._drain.voltage_accuracy, value_v)

    def u_drain_current_a(self, value_a: float) -> float:
        return _amperes(self._drain.current_accuracy, value_a)

    def u_drains(self, values: Sequence[tuple[float, float]]) -> tuple[float, float]:
        """Of several drains as one: the voltage's largest, and that of the currents' sum, outputs independent. [V, A]"""
        pairs = list(zip(self._drains, values, strict=True))
        return (
            max(_volts(ratings.voltage_accuracy, voltage_v) for ratings, (voltage_v, _) in pairs),
            math.hypot(*(_amperes(ratings.current_accuracy, current_a) for ratings, (_, current_a) in pairs)),
        )

    def u_gate_voltage_v(self, value_v: float) -> float:
        return _volts(self._gate.voltage_accuracy, value_v)

    def u_detector_v(self, detector_v: float, reference_v: float) -> float:
        """Of detector minus reference. [V]"""
        values = (detector_v, reference_v)
        return math.sqrt(
            sum(_volts(accuracy, value) ** 2 for accuracy, value in zip(self._voltmeters, values, strict=False))
        ) if self._voltmeters else math.nan  # fmt: skip


def _combined(*standard: float) -> float:
    """Root sum of squares of those that are known; NaN when none is."""
    known = [one for one in standard if not math.isnan(one)]
    return math.hypot(*known) if known else math.nan


def difference_db(source: SourceSettings) -> float:
    """Standard uncertainty of a difference of two of its levels; its accuracy twice where no linearity is stated. [dB]"""
    return math.sqrt(2.0) * source.level_accuracy_db / SQRT3 if source.linearity_db is None else _linearity_db(source)


def _linearity_db(source: SourceSettings) -> float:
    # A step is an error of up to half of it either way; of a difference of two levels there are two steps.
    steps = (source.linearity_db, None if source.resolution_db is None else source.resolution_db * math.sqrt(0.5))
    return _combined(*(math.nan if one is None else one / SQRT3 for one in steps))


def mismatch_db(stated: MismatchSettings | None) -> float:
    """Standard uncertainty of what comes over one plane, by the bench file; NaN: not stated. [dB]"""
    if stated is None:
        return math.nan
    path, device = (math.pow(10.0, -loss_db / 20.0) for loss_db in (stated.path_return_loss_db, stated.device_return_loss_db))
    return mismatch(path, device, stated.convention).standard_uncertainty_db


def _ratings(bench: BenchFile, pin: SupplyPin) -> SupplyChannelRatings:
    supply = bench.instruments[pin.supply]
    assert isinstance(supply, SupplySettings), "load_bench checks roles"
    return supply.channels[pin.channel]


def _volts(accuracy: VoltAccuracy, value_v: float) -> float:
    return (abs(value_v) * accuracy.of_reading_percent / 100 + accuracy.floor_v) / SQRT3


def _amperes(accuracy: AmpereAccuracy, value_a: float) -> float:
    return (abs(value_a) * accuracy.of_reading_percent / 100 + accuracy.floor_a) / SQRT3
