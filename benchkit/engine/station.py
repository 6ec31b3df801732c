"""
One channel as a kind of measurement sees it: tune, drive, rest, read.

A reading arms every instrument first and collects afterwards, so that a point costs the slowest of them, not the sum.
"""

from __future__ import annotations

import math

from benchkit.bench.model import BenchFile
from benchkit.clock import Clock
from benchkit.engine.bias import BiasState
from benchkit.engine.biasing import Biaser
from benchkit.engine.thermometer import Thermometer
from benchkit.engine.uncertainty import Accuracies
from benchkit.engine.walls import Walls
from benchkit.errors import InstrumentError, MisuseError
from benchkit.measurements.base import Reading
from benchkit.quantities import pt100_temperature_degc
from benchkit.roles import PowerMeter, Source

__all__ = ["ChannelStation"]

# Drain voltage that reads this far below its setting: the supply is in current limit, and the point means nothing.
DRAIN_SAG_V = 0.15


class ChannelStation:
    """Implements benchkit.measurements.Station for one biased channel."""

    def __init__(
        self, biaser: Biaser, bench: BenchFile, supply_voltage_v: float, clock: Clock, walls: Walls, thermometer: Thermometer
    ) -> None:
        self._biaser = biaser
        self._hookup = biaser.hookup
        self._supply_voltage_v = supply_voltage_v
        self._clock = clock
        self._walls = walls
        self._thermometer = thermometer
        self._accuracies = Accuracies(bench, biaser.hookup)
        self._where = f"channel {biaser.hookup.channel}"
        self._frequency_hz = math.nan
        self._input_loss_db = math.nan
        self._output_loss_db = math.nan
        self._u_input_db = math.nan
        self._u_output_db = math.nan
        self._drive_dbm = math.nan
        self._meter_range = self._accuracies.meter_range_dbm

    def tune(self, frequency_hz: float) -> None:
        """RF off, then carrier and correction frequency; losses of both paths looked up. [Hz]"""
        hookup = self._hookup
        source, meter = self._rf()
        self.rest()
        source.set_frequency(frequency_hz)
        meter.set_frequency(frequency_hz)
        self._frequency_hz = frequency_hz
        self._input_loss_db = hookup.input_path.loss_db(frequency_hz)
        self._output_loss_db = hookup.output_path.loss_db(frequency_hz)
        self._u_input_db = self._accuracies.u_input_db(hookup.input_path.uncertainty_db(frequency_hz))
        self._u_output_db = self._accuracies.u_output_db(hookup.output_path.uncertainty_db(frequency_hz))

    def drive(self, level_dbm: float) -> None:
        """Level at the device's input; RF comes on at this level, never before it. [dBm]"""
        source, _ = self._rf()
        if math.isnan(self._frequency_hz):
            raise MisuseError("drive() before tune(): the path's loss is not known")
        source.set_level(level_dbm + self._input_loss_db)
        if self._biaser.state is not BiasState.DRIVEN:
            self._biaser.rf_on()
            source.output_on()
        source.confirm()
        self._drive_dbm = level_dbm
        self._clock.sleep(source.settling_time_s)

    def rest(self) -> None:
        """RF off. The device stays biased."""
        if self._biaser.state is BiasState.DRIVEN:
            source, _ = self._rf()
            source.output_off()
            self._biaser.rf_off()
        self._drive_dbm = math.nan

    def read(self) -> Reading:
        """One point: every instrument armed, every instrument collected, corrected to the device's planes, checked."""
        hookup = self._hookup
        driven = self._biaser.state is BiasState.DRIVEN
        meter = hookup.meter if driven else None
        time_s = self._clock.now()
        if meter is not None:
            meter.arm()
        shared = hookup.drain is hookup.gate
        hookup.drain.arm((hookup.drain_output, hookup.gate_output) if shared else (hookup.drain_output,))
        if not shared:
            hookup.gate.arm((hookup.gate_output,))
        voltmeters = (hookup.detector, hookup.reference, hookup.case)
        for voltmeter in voltmeters:
            if voltmeter is not None:
                voltmeter.arm()
        self._thermometer.arm_if_due()

        drain = hookup.drain.collect()
        drain_v, drain_a = drain[hookup.drain_output]
        gate_v, gate_a = (drain if shared else hookup.gate.collect())[hookup.gate_output]
        detector_v, reference_v, case_ohm = (
            math.nan if voltmeter is None else voltmeter.collect() for voltmeter in voltmeters
        )
        output_meter_dbm = math.nan if meter is None else meter.collect()
        case_degc = math.nan if math.isnan(case_ohm) else self._case_degc(case_ohm)
        self._thermometer.collect(case_degc)

        reading = {
            "time_s": time_s,
            "frequency_hz": self._frequency_hz,
            "drive_set_dbm": self._drive_dbm,
            "output_meter_dbm": output_meter_dbm,
            "drain_voltage_v": drain_v,
            "drain_current_a": drain_a,
            "gate_voltage_v": gate_v,
            "gate_current_a": gate_a,
            "detector_v": detector_v,
            "reference_v": reference_v,
            "case_ohm": case_ohm,
            "case_degc": case_degc,
            "chamber_degc": self._thermometer.air_degc,
        }
        accuracies = self._accuracies
        reading["u_drain_voltage_v"] = accuracies.u_drain_voltage_v(drain_v)
        reading["u_drain_current_a"] = accuracies.u_drain_current_a(drain_a)
        reading["u_gate_voltage_v"] = accuracies.u_gate_voltage_v(gate_v)
        reading["u_detector_v"] = accuracies.u_detector_v(detector_v, reference_v)
        if driven:
            self._correct(reading, output_meter_dbm)
        self._walls.check(reading, self._where)
        if drain_v < self._supply_voltage_v - DRAIN_SAG_V - 3 * reading["u_drain_voltage_v"]:
            tripped = hookup.drain.is_tripped(hookup.drain_output)
            raise InstrumentError(
                hookup.drain.name,
                f"output {hookup.drain_output} (drain {hookup.channel}) reads {drain_v:.4g} V instead of "
                f"{self._supply_voltage_v:.4g} V at {drain_a * 1e3:.4g} mA; "
                + ("its protection has tripped" if tripped else "it is in current limit, or its lead has come loose"),
            )
        return reading

    def _correct(self, reading: Reading, output_meter_dbm: float) -> None:
        """Raw levels to the device's planes; a meter reading outside the meter's range is no reading."""
        input_dbm = self._drive_dbm
        low_dbm, high_dbm = self._meter_range
        in_range = low_dbm <= output_meter_dbm <= high_dbm
        output_dbm = output_meter_dbm + self._output_loss_db if in_range else math.nan
        reading["source_level_dbm"] = input_dbm + self._input_loss_db
        reading["input_loss_db"] = self._input_loss_db
        reading["output_loss_db"] = self._output_loss_db
        reading["input_dbm"] = input_dbm
        reading["output_dbm"] = output_dbm
        reading["gain_db"] = output_dbm - input_dbm
        reading["u_input_db"] = self._u_input_db
        reading["u_output_db"] = self._u_output_db
        dc_w = reading["drain_voltage_v"] * reading["drain_current_a"]
        if in_range and dc_w > 0:
            output_w, input_w = 1e-3 * 10 ** (output_dbm / 10), 1e-3 * 10 ** (input_dbm / 10)
            reading["drain_efficiency_percent"] = 100 * output_w / dc_w
            reading["pae_percent"] = 100 * (output_w - input_w) / dc_w

    def _case_degc(self, case_ohm: float) -> float:
        try:
            return float(pt100_temperature_degc(case_ohm))
        except ValueError as error:
            name = self._hookup.case.name if self._hookup.case is not None else "case sensor"
            raise InstrumentError(name, f"case sensor reads {case_ohm:.6g} ohm: {error}; is it connected?") from error

    def _rf(self) -> tuple[Source, PowerMeter]:
        source, meter = self._hookup.source, self._hookup.meter
        if source is None or meter is None:
            raise MisuseError(f"channel {self._hookup.channel}: a driven measurement, but source and power meter are not open")
        return source, meter
