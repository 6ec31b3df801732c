"""
One channel as a kind of measurement sees it: tune, drive, rest, read.

A reading arms every instrument first and collects afterwards, so that a point costs the slowest of them, not the sum.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchkit.bench.model import BenchFile
from benchkit.clock import Clock
from benchkit.engine.bias import BiasState
from benchkit.engine.biasing import Biaser, as_one, check_each
from benchkit.engine.facilities import Facilities
from benchkit.engine.pins import PinReader
from benchkit.engine.readout import Readout, efficiencies
from benchkit.engine.thermometer import Thermometer, case_temperature_degc
from benchkit.engine.uncertainty import Accuracies
from benchkit.engine.walls import Walls
from benchkit.engine.watch import PinWatch
from benchkit.errors import BenchkitError, InstrumentError, MisuseError
from benchkit.measurements.base import NetworkStation, Reading, ToneStation, TwoTones
from benchkit.measurements.spectrum_base import SpectrumStation
from benchkit.roles import PowerMeter, Source

__all__ = ["ChannelStation"]

# Drain voltage that reads this far below its setting: the supply is in current limit, and the point means nothing.
DRAIN_SAG_V = 0.15


class ChannelStation:
    """
    Implements benchkit.measurements.Station for one biased channel.

    Attributes:
        present: The reading taken last, as far as it got.
        is_refused: Whether read() did not hand it on: a wall was hit, or something failed. For the record.
        pins: Voltage and current of each drain and gate of that reading, by label, where there are several.
    """

    def __init__(
        self,
        biaser: Biaser,
        bench: BenchFile,
        clock: Clock,
        walls: Walls,
        thermometer: Thermometer,
        facilities: Facilities | None = None,
    ) -> None:
        self._facilities = facilities
        self.present: Reading = {}
        self.is_refused = False
        self.pins: list[tuple[str, float, float]] = []
        self._biaser = biaser
        self._hookup = biaser.hookup
        self._drains_set_v = biaser.drain_set_v
        self._reader = PinReader((*biaser.hookup.drains, *biaser.hookup.gates))
        self._drain_count = len(biaser.hookup.drains)
        self._is_plain = len(biaser.hookup.drains) == len(biaser.hookup.gates) == 1
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
        self._u_parts: Reading = {}
        self._drive_dbm = math.nan
        self._meter_range = self._accuracies.meter_range_dbm
        self._watch = PinWatch(clock, self._reader, self._hold)
        self._latest: Reading = {}

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """One row into a stream of the kind's own."""
        if self._facilities is None:
            raise MisuseError("this station stores nothing: no record was given to it")
        self._facilities.store(stream, row)

    def network(self) -> NetworkStation:
        """RF off; then the network analyser as wired to this channel. The device stays biased."""
        if self._facilities is None:
            raise MisuseError(f"{self._where}: no network analyser was given to this station")
        self.rest()
        return self._facilities.network(self._hookup, self._biaser)

    def tones(self, asked: TwoTones) -> ToneStation:
        """RF off; then both sources and the spectrum analyser as wired to this channel. The device stays biased."""
        if self._facilities is None:
            raise MisuseError(f"{self._where}: no second source was given to this station")
        self.rest()
        return self._facilities.tones(self, self._biaser, asked)

    def spectrum(self) -> SpectrumStation:
        """The spectrum analyser as wired to this channel; RF stays as it is."""
        if self._facilities is None:
            raise MisuseError(f"{self._where}: no spectrum analyser was given to this station")
        return self._facilities.spectrum(self, self._biaser)

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
        u_input_path, u_output_path = (
            path.uncertainty_db(frequency_hz) for path in (hookup.input_path, hookup.output_path)
        )
        self._u_input_db = self._accuracies.u_input_db(u_input_path)
        self._u_output_db = self._accuracies.u_output_db(u_output_path)
        self._u_parts = self._accuracies.parts(u_input_path, u_output_path)

    def drive(self, level_dbm: float) -> None:
        """Level at the device's input; RF comes on at this level, never before it. [dBm]"""
        source, _ = self._rf()
        if math.isnan(self._frequency_hz):
            raise MisuseError("drive() before tune(): the path's loss is not known")
        if self._biaser.state is not BiasState.DRIVEN:
            # Refused before anything is sent; and from here on RF may be on, even if the next message fails.
            self._biaser.rf_on()
            source.set_level(level_dbm + self._input_loss_db)
            source.output_on()
        else:
            source.set_level(level_dbm + self._input_loss_db)
        source.confirm()
        self._drive_dbm = level_dbm
        self._clock.sleep(source.settling_time_s)

    def rest(self) -> None:
        """
        RF off, read back. The device stays biased.

        Raises:
            InstrumentError: The source does not do what it is told; then nothing about the drive can be believed.
        """
        if self._biaser.state is BiasState.DRIVEN:
            sources = [one for one in (self._hookup.source, self._hookup.second_source) if one is not None]
            # All are told before any is asked: the part is without drive sooner.
            for source in sources:
                source.output_off()
            for source in sources:
                if source.is_output_on():
                    raise InstrumentError(
                        source.name,
                        "RF reads on after it was switched off: it does not do what it is told. Switch it off by hand",
                    )
            self._biaser.rf_off()
        self._drive_dbm = math.nan

    def read(self, readout: Readout | None = None) -> Reading:
        """
        One point: every instrument armed, every instrument collected, corrected to the device's planes, checked.

        Args:
            readout: Reads the output of the driven device instead of the power meter.

        Raises:
            LimitError: A limit is passed, or a quantity that guards the part reads no number; `present` keeps the reading.
            InstrumentError: A drain is not at its voltage, or the case sensor reads no temperature.
        """
        hookup = self._hookup
        driven = self._biaser.state is BiasState.DRIVEN
        meter = hookup.meter if driven and readout is None else None
        self.present, self.pins, self.is_refused = {}, [], True
        time_s = self._clock.now()
        if meter is not None:
            meter.arm()
        if readout is not None:
            readout.arm()
        armed_s = self._clock.monotonic()
        self._reader.arm()
        voltmeters = (hookup.detector, hookup.reference, hookup.case)
        for voltmeter in voltmeters:
            if voltmeter is not None:
                voltmeter.arm()
        self._thermometer.arm_if_due()

        values = self._reader.collect()
        if readout is not None:
            self._watch.begin(armed_s)
            self._latest = {}
        if self._is_plain:
            (drain_v, drain_a), (gate_v, gate_a) = values
        else:
            drain_v, drain_a, gate_v, gate_a = self._stages(values)
        # From here on this is a reading that must not be lost, whatever the other instruments do.
        self.present = reading = {
            "time_s": time_s,
            "frequency_hz": self._frequency_hz,
            "drive_set_dbm": self._drive_dbm,
            "drain_voltage_v": drain_v,
            "drain_current_a": drain_a,
            "gate_voltage_v": gate_v,
            "gate_current_a": gate_a,
        }
        if readout is not None:
            reading.update(readout.inputs())
        elif driven:
            reading.update(self.drive_columns())
        # At once: what guards the part waits for no other instrument, which may be slow, or never answer.
        self._walls.check_guards(reading, self._where)
        detector_v, reference_v, case_ohm = (
            math.nan if voltmeter is None else voltmeter.collect() for voltmeter in voltmeters
        )
        reading["detector_v"], reading["reference_v"], reading["case_ohm"] = detector_v, reference_v, case_ohm
        output_meter_dbm = math.nan if meter is None else meter.collect()
        reading["output_meter_dbm"] = output_meter_dbm
        case_degc = math.nan if hookup.case is None else case_temperature_degc(hookup.case, case_ohm)
        reading["case_degc"] = case_degc
        self._thermometer.collect(case_degc)
        reading["chamber_degc"] = self._thermometer.air_degc

        accuracies = self._accuracies
        if self._is_plain:
            reading["u_drain_voltage_v"] = accuracies.u_drain_voltage_v(drain_v)
            reading["u_drain_current_a"] = accuracies.u_drain_current_a(drain_a)
        else:
            drains = values[: self._drain_count]
            reading["u_drain_voltage_v"], reading["u_drain_current_a"] = accuracies.u_drains(drains)
        reading["u_gate_voltage_v"] = accuracies.u_gate_voltage_v(gate_v)
        reading["u_detector_v"] = accuracies.u_detector_v(detector_v, reference_v)
        if readout is not None:
            reading.update(readout.collect(reading, self._watch.wait))
            if self._latest:
                # What the part turns into heat now: the point's own drain was read before the readout took its time.
                self._walls.check_rest({**reading, **self._latest}, self._where)
        elif driven:
            self._correct(reading, output_meter_dbm)
        self._walls.check_rest(reading, self._where)
        if output_meter_dbm > self._meter_range[1]:
            # Too much for the meter to be a result; enough to be held against the limit.
            self._walls.check_rest({**reading, "output_dbm": output_meter_dbm + self._output_loss_db}, self._where)
        if not self._is_plain:
            check_each(self._walls, values[: self._drain_count], values[self._drain_count :], self._where)
        self._require_drains(values, reading["u_drain_voltage_v"])
        self.is_refused = False
        return reading

    def hold_output(self, reading: Reading) -> None:
        """
        For a Readout: what it knows of the output by now, held against the limits before it goes on.

        Raises:
            LimitError: A limit is passed.
        """
        self._walls.check_rest({**reading, **self._latest}, self._where)

    def drive_columns(self) -> Reading:
        """What is known of the one carrier at the device's input: columns of the point; none without drive."""
        if self._biaser.state is not BiasState.DRIVEN:
            return {}
        return {
            "source_level_dbm": self._drive_dbm + self._input_loss_db,
            "input_loss_db": self._input_loss_db,
            "input_dbm": self._drive_dbm,
            "u_input_db": self._u_input_db,
        }

    def _hold(self, time_s: float, values: list[tuple[float, float]]) -> None:
        """Drain and gate as read while the readout takes its time; what a wall refuses is the reading that is kept. [s, V, A]"""
        drains, gates = values[: self._drain_count], values[self._drain_count :]
        latest = self._latest = dict(vars(as_one(drains, gates)))
        try:
            self._walls.check_guards(latest, self._where)
            if self._biaser.state is not BiasState.DRIVEN:
                # Without drive all of the DC power is heat; with drive it is held when the output is known.
                self._walls.check_rest(latest, self._where)
            if not self._is_plain:
                check_each(self._walls, drains, gates, self._where)
            accuracies = self._accuracies
            u_drain_v = accuracies.u_drain_voltage_v(values[0][0]) if self._is_plain else accuracies.u_drains(drains)[0]
            self._require_drains(values, u_drain_v)
        except BenchkitError:
            self.present.update(latest, time_s=time_s)
            if not self._is_plain:
                self._stages(values)
            raise

    def _require_drains(self, values: list[tuple[float, float]], u_drain_v: float) -> None:
        """
        Raises:
            InstrumentError: A drain is not at its voltage.
        """
        lowest_v = DRAIN_SAG_V + 3 * u_drain_v
        for index, set_v in enumerate(self._drains_set_v):
            if values[index][0] < set_v - lowest_v:
                self._sagged(index, *values[index])

    def _stages(self, values: list[tuple[float, float]]) -> tuple[float, float, float, float]:
        """Several drains and gates: kept one by one for the record, and taken as one."""
        pins = (*self._hookup.drains, *self._hookup.gates)
        self.pins = [(pin.label, *value) for pin, value in zip(pins, values, strict=True)]
        one = as_one(values[: self._drain_count], values[self._drain_count :])
        return one.drain_voltage_v, one.drain_current_a, one.gate_voltage_v, one.gate_current_a

    def _sagged(self, index: int, drain_v: float, drain_a: float) -> None:
        pin = self._hookup.drains[index]
        tripped = pin.supply.is_tripped(pin.output)
        raise InstrumentError(
            pin.supply.name,
            f"output {pin.output} ({pin.label}) reads {drain_v:.4g} V instead of {self._drains_set_v[index]:.4g} V at "
            f"{drain_a * 1e3:.4g} mA; "
            + ("its protection has tripped" if tripped else "it is in current limit, or its lead has come loose"),
        )

    def _correct(self, reading: Reading, output_meter_dbm: float) -> None:
        """Raw levels to the device's planes; a meter reading outside the meter's range is no reading."""
        input_dbm = reading["input_dbm"]
        low_dbm, high_dbm = self._meter_range
        in_range = low_dbm <= output_meter_dbm <= high_dbm
        output_dbm = output_meter_dbm + self._output_loss_db if in_range else math.nan
        reading["output_loss_db"] = self._output_loss_db
        reading["output_dbm"] = output_dbm
        reading["gain_db"] = output_dbm - input_dbm
        reading["u_output_db"] = self._u_output_db
        reading.update(self._u_parts)
        reading["u_meter_zero_db"] = self._accuracies.u_zero_db(output_meter_dbm) if in_range else math.nan
        reading.update(efficiencies(reading, input_dbm, output_dbm))

    def _rf(self) -> tuple[Source, PowerMeter]:
        source, meter = self._hookup.source, self._hookup.meter
        if source is None or meter is None:
            raise MisuseError(f"channel {self._hookup.channel}: a driven measurement, but source and power meter are not open")
        return source, meter
