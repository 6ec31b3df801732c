"""
Source and power meter at one channel before anything is biased: hands take the sensor or a thru where they are asked to.

RF comes on for one reading and goes off with it, read back. Nothing is connected by hand before RF of every source and every
output of every supply has been read back off.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from benchkit.bench.model import PowerMeterSettings, SourceSettings
from benchkit.bench.open import OpenBench
from benchkit.bench.paths import LossPath
from benchkit.clock import Clock
from benchkit.engine.hookup import Hookup
from benchkit.engine.network_station import Note, Store
from benchkit.errors import ConditionError, InstrumentError, LimitError, MisuseError
from benchkit.link.library import Hands
from benchkit.measurements.power_before import PowerBefore, Thing
from benchkit.quantities.format import format_quantity
from benchkit.results.matching import MismatchConvention
from benchkit.results.path_budget import PowerAccuracy
from benchkit.roles import NetworkAnalyser, Source, Supply
from benchkit.roles.limits import bench_key

__all__ = ["SensorStation"]

_SAID: Mapping[Thing, str] = {
    "sensor at source": "power sensor at the source's connector",
    "sensor": "power sensor at the device's input plane",
    "thru": "thru in place of the device, power sensor at its own place",
    "device": "device, power sensor at its own place",
}


class SensorStation:
    """
    Implements benchkit.measurements.PowerStation.

    Args:
        asked: What the kind said it would ask for; levels at the plane that it names.
        store: Takes rows of a kind's own streams.
        note: Takes events: kind and text.
        files: What the sequence's kinds name, by name.
    """

    def __init__(
        self,
        bench: OpenBench,
        hookup: Hookup,
        clock: Clock,
        asked: PowerBefore,
        store: Store,
        note: Note,
        files: Mapping[str, bytes],
    ) -> None:
        if hookup.source is None or hookup.meter is None:
            raise MisuseError(f"channel {hookup.channel}: source and power meter are not open")
        self.channel, self.source, self.meter = hookup.channel, hookup.source.name, hookup.meter.name
        self.input_path: LossPath = hookup.input_path
        self.output_path: LossPath = hookup.output_path
        self._source, self._meter = hookup.source, hookup.meter
        self._bench, self._hookup, self._clock, self._asked = bench, hookup, clock, asked
        self._store, self._note, self._files = store, note, files
        instruments = bench.bench.file.instruments
        source, meter = instruments[self.source], instruments[self.meter]
        assert isinstance(source, SourceSettings), "load_bench checks roles"
        assert isinstance(meter, PowerMeterSettings), "load_bench checks roles"
        self._source_settings, self._meter_settings = source, meter
        self._is_connected: Thing | None = None
        # Level set and level read last, since something was connected: what the next level will be, about.
        self._last: tuple[float, float] | None = None
        self.accuracy = self._accuracy()

    def has_amplifier(self, path: str) -> bool:
        return self._bench.bench.file.paths[path].saturated_power_max_dbm is not None

    def connect(self, what: Thing) -> None:
        """As PowerStation.connect."""
        hands = self._hands(f"{_SAID[what]} must be connected at channel {self.channel}")
        # Before anything is prepared anew: that would take away what tells of an instrument that was switched off and on.
        for instrument in (self._source, self._meter):
            instrument.check_errors()
            instrument.check_power()
        self._require_all_off(f"{_SAID[what]} is about to be connected by hand")
        if what == "device":
            # Averages as at the beginning of the run. A zero stays: *RST does not touch calibration data (IEEE 488.2, 10.32.2).
            self._meter.prepare()
        hands.connect(self.channel, what)
        self._is_connected, self._last = what, None
        self._note("connected", f"channel {self.channel}: {_SAID[what]}")

    def calibrate_sensor(self) -> None:
        """
        Have the sensor calibrated at the meter's own reference, everything read back off.

        Raises:
            InstrumentError: Something is on, or nobody is there to be asked.
        """
        hands = self._hands(f"the sensor of {self.meter} must be calibrated")
        self._require_all_off(f"the sensor of {self.meter} is about to be calibrated by hand")
        hands.calibrate_sensor(self.meter)
        self._note("sensor calibrated", f"{self.meter}: its sensor calibrated by hand at its own reference, if it has one")

    def _hands(self, what_for: str) -> Hands:
        if self._bench.hands is None:
            raise InstrumentError(self.meter, f"{what_for}, and nobody is there to be asked: start the run from a terminal")
        return self._bench.hands

    def zero(self) -> None:
        """As PowerStation.zero."""
        self._require_all_off(f"{self.meter} is about to be zeroed")
        self._meter.zero()
        self._note("zeroed", f"{self.meter} zeroed, RF of every source read back off")

    def read(self, frequency_hz: float, level_dbm: float) -> tuple[float, float]:
        """As PowerStation.read. When it raises, RF may be on: make safe takes it off first, as ever."""
        source, meter = self._source, self._meter
        if self._is_connected in (None, "device"):
            raise MisuseError(f"channel {self.channel}: reading before a sensor or a thru is connected: RF would reach the part")
        source_dbm = level_dbm
        if self._asked.plane == "device":
            source_dbm += self.input_path.loss_db(frequency_hz)
        self._refuse_overload(source_dbm)
        self._connect_routes()
        source.set_frequency(frequency_hz)
        meter.set_frequency(frequency_hz)
        meter.set_averages(self._asked.averages)
        source.set_level(source_dbm)
        source.output_on()
        source.confirm()
        self._clock.sleep(source.settling_time_s)
        meter.arm()
        read_dbm = meter.collect()
        source.output_off()
        if source.is_output_on():
            raise InstrumentError(
                source.name, "RF reads on after it was switched off: it does not do what it is told. Switch it off by hand"
            )
        low_dbm, high_dbm = self._meter_settings.range_min_dbm, self._meter_settings.range_max_dbm
        # `not ... <=` refuses NaN too.
        if not low_dbm <= read_dbm <= high_dbm:
            raise ConditionError(
                f"{meter.name} reads {_shown(read_dbm)} at {format_quantity(frequency_hz, 'Hz', 9)} with {source.name} at "
                f"{source_dbm:.2f} dBm, outside its range, {low_dbm:g} dBm to {high_dbm:g} dBm "
                f"({bench_key(meter.name, 'range_min')}, {bench_key(meter.name, 'range_max')}); asked for was "
                f"{_SAID[self._is_connected or 'device']}, channel {self.channel}: is it so, and tight?"
            )
        self._last = source_dbm, read_dbm
        return source_dbm, read_dbm

    def now_s(self) -> float:
        return self._clock.now()

    def file(self, name: str) -> bytes:
        """As PowerStation.file."""
        if name not in self._files:
            raise MisuseError(f"{name} is not at hand: the sequence was loaded from its text alone, without the files it names")
        return self._files[name]

    def note(self, kind: str, text: str) -> None:
        self._note(kind, text)

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        self._store(stream, row)

    def _refuse_overload(self, source_dbm: float) -> None:
        """
        The third wall, where a reading comes too late: one that would be too much by what was read before is not taken.

        The first reading with anything connected is at the lowest level; that it is harmless was proved.
        """
        if self._last is None:
            return
        before_dbm, read_dbm = self._last
        stated = self._source_settings
        expected_dbm = read_dbm + (source_dbm - before_dbm) + stated.level_overshoot_db
        limit_dbm = self._meter_settings.input_max_dbm
        if not expected_dbm <= limit_dbm:
            raise LimitError(
                f"level to be expected at {self.meter}, by the reading before ({read_dbm:.2f} dBm with {self.source} at "
                f"{before_dbm:.2f} dBm)",
                expected_dbm, limit_dbm, "dBm", bench_key(self.meter, "input_max"),
            )  # fmt: skip

    def _require_all_off(self, because: str) -> None:
        """Of every open instrument that gives RF or DC: a hand knows no channels."""
        for name, instrument in self._bench.instruments.items():
            if isinstance(instrument, Source | NetworkAnalyser):
                if instrument.is_output_on():
                    raise InstrumentError(name, f"RF reads on, and {because}. Switch it off by hand")
            elif isinstance(instrument, Supply):
                for output in instrument.channels:
                    if instrument.is_output_on(output):
                        raise InstrumentError(name, f"output {output} reads on, and {because}. Switch it off by hand")

    def _connect_routes(self) -> None:
        """RF is off: a contact that opens under power burns. A switch that is there already is not moved."""
        switch = self._hookup.switch
        if switch is None or self._last is not None:
            return
        switch.connect(self._hookup.routes)
        self._clock.sleep(switch.settling_time_s)

    def _accuracy(self) -> PowerAccuracy:
        source, meter = self._source_settings, self._meter_settings
        wiring = self._bench.bench.file.wiring.channels[self.channel]
        stated = [one for one in (wiring.input.mismatch, wiring.output.mismatch) if one is not None]
        # The one that makes more of it, where the two differ.
        convention: MismatchConvention = "largest magnitudes"
        if any(one.convention == "known magnitudes" for one in stated):
            convention = "known magnitudes"
        return PowerAccuracy(
            source_db=source.level_accuracy_db,
            meter_db=meter.accuracy_db,
            source_linearity_db=source.linearity_db,
            source_resolution_db=source.resolution_db,
            meter_linearity_db=meter.linearity_db,
            meter_resolution_db=meter.resolution_db,
            zero_dbm=meter.zero_dbm,
            noise_db=meter.noise_db,
            input_return_loss_db=None if wiring.input.mismatch is None else wiring.input.mismatch.path_return_loss_db,
            output_return_loss_db=None if wiring.output.mismatch is None else wiring.output.mismatch.path_return_loss_db,
            convention=convention,
        )


def _shown(level_dbm: float) -> str:
    if math.isnan(level_dbm):
        return "no level"
    return f"{level_dbm:.2f} dBm" if math.isfinite(level_dbm) else "under or over range"
