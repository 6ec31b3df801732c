"""
Sources and power meter at one channel before anything is biased: hands take the sensor or a thru where they are asked to.

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
from benchkit.engine.all_off import require_all_off
from benchkit.engine.hookup import Hookup
from benchkit.engine.network_station import Note, Store
from benchkit.engine.power_accuracy import power_accuracy
from benchkit.errors import ConditionError, InstrumentError, LimitError, MisuseError
from benchkit.link.library import Hands
from benchkit.measurements.power_before import Feed, PathRole, PowerBefore, Thing
from benchkit.quantities.format import format_quantity
from benchkit.results.path_lines import PowerAccuracy
from benchkit.roles import Source
from benchkit.roles.limits import bench_key

__all__ = ["SensorStation"]

_SAID: Mapping[Thing, str] = {
    "sensor at source": "power sensor at the source's connector",
    "sensor at second source": "power sensor at the second source's connector",
    "sensor": "power sensor at the device's input plane",
    "sensor at analyser": "thru in place of the device, power sensor at the analyser's end of its cable",
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
        self._meter = hookup.meter
        self._paths: dict[PathRole, LossPath | None] = {
            "input": hookup.input_path,
            "output": hookup.output_path,
            "second input": hookup.second_path,
            "analyser": hookup.analyser_path,
        }
        self._sources: dict[Feed, Source] = {"source": hookup.source}
        if asked.uses("second source") and hookup.second_source is not None:
            self._sources["second source"] = hookup.second_source
        self._bench, self._hookup, self._clock, self._asked = bench, hookup, clock, asked
        self._store, self._note, self._files = store, note, files
        instruments = bench.bench.file.instruments
        meter = instruments[self.meter]
        assert isinstance(meter, PowerMeterSettings), "load_bench checks roles"
        self._meter_settings = meter
        self._is_connected: Thing | None = None
        # Of each source level set and level read last, since something was connected: what the next level will be, about.
        self._last: dict[Feed, tuple[float, float]] = {}
        self.accuracy = self.accuracy_of("source")

    def path(self, role: PathRole) -> LossPath:
        """As PowerStation.path."""
        path = self._paths[role]
        if path is None:
            raise MisuseError(f"channel {self.channel}: {role} is not wired")
        return path

    def source_of(self, feed: Feed) -> str:
        """As PowerStation.source_of."""
        return self._source_of(feed).name

    def _source_of(self, feed: Feed) -> Source:
        if feed not in self._sources:
            raise MisuseError(f"channel {self.channel}: the {feed} is not wired, not open, or was not asked for")
        return self._sources[feed]

    def _settings_of(self, feed: Feed) -> SourceSettings:
        settings = self._bench.bench.file.instruments[self.source_of(feed)]
        assert isinstance(settings, SourceSettings), "load_bench checks roles"
        return settings

    def has_amplifier(self, path: str) -> bool:
        return self._bench.bench.file.paths[path].saturated_power_max_dbm is not None

    def connect(self, what: Thing) -> None:
        """As PowerStation.connect."""
        hands = self._hands(f"{_SAID[what]} must be connected at channel {self.channel}")
        # Before anything is prepared anew: that would take away what tells of an instrument that was switched off and on.
        for instrument in (*self._sources.values(), self._meter):
            instrument.check_errors()
            instrument.check_power()
        require_all_off(self._bench, f"{_SAID[what]} is about to be connected by hand")
        if what == "device":
            # Averages as at the beginning of the run. A zero stays: *RST does not touch calibration data (IEEE 488.2, 10.32.2).
            self._meter.prepare()
        hands.connect(self.channel, what)
        self._is_connected, self._last = what, {}
        self._note("connected", f"channel {self.channel}: {_SAID[what]}")

    def calibrate_sensor(self) -> None:
        """
        Have the sensor calibrated at the meter's own reference, everything read back off.

        Raises:
            InstrumentError: Something is on, or nobody is there to be asked.
        """
        hands = self._hands(f"the sensor of {self.meter} must be calibrated")
        require_all_off(self._bench, f"the sensor of {self.meter} is about to be calibrated by hand")
        hands.calibrate_sensor(self.meter)
        self._note("sensor calibrated", f"{self.meter}: its sensor calibrated by hand at its own reference, if it has one")

    def _hands(self, what_for: str) -> Hands:
        if self._bench.hands is None:
            raise InstrumentError(self.meter, f"{what_for}, and nobody is there to be asked: start the run from a terminal")
        return self._bench.hands

    def zero(self) -> None:
        """As PowerStation.zero."""
        require_all_off(self._bench, f"{self.meter} is about to be zeroed")
        self._meter.zero()
        self._note("zeroed", f"{self.meter} zeroed, RF of every source read back off")

    def read(self, frequency_hz: float, level_dbm: float, feed: Feed = "source") -> tuple[float, float]:
        """As PowerStation.read. When it raises, RF may be on: make safe takes it off first, as ever."""
        source, meter = self._source_of(feed), self._meter
        if self._is_connected in (None, "device"):
            raise MisuseError(f"channel {self.channel}: reading before a sensor or a thru is connected: RF would reach the part")
        source_dbm = level_dbm
        if self._asked.plane == "device":
            source_dbm += self.path("input" if feed == "source" else "second input").loss_db(frequency_hz)
        self._refuse_overload(source_dbm, feed)
        self._connect_routes()
        self._require_others_off(feed)
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
        self._last[feed] = source_dbm, read_dbm
        return source_dbm, read_dbm

    def now_s(self) -> float:
        return self._clock.now()

    def file(self, name: str) -> bytes:
        """As PowerStation.file."""
        if name not in self._files:
            raise MisuseError(f"{name} is not at hand: the sequence was loaded from its text alone, without the files it names")
        return self._files[name]

    def note(self, kind: str, text: str, severity: str = "info") -> None:
        """As PowerStation.note."""
        self._note(kind, text, severity)

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        self._store(stream, row)

    def _refuse_overload(self, source_dbm: float, feed: Feed) -> None:
        """
        The third wall, where a reading comes too late: one that would be too much by what was read before is not taken.

        The first reading of a source with anything connected is at the lowest level; that it is harmless was proved.
        """
        if feed not in self._last:
            return
        before_dbm, read_dbm = self._last[feed]
        stated = self._settings_of(feed)
        expected_dbm = read_dbm + (source_dbm - before_dbm) + stated.level_overshoot_db
        limit_dbm = self._meter_settings.input_max_dbm
        if not expected_dbm <= limit_dbm:
            raise LimitError(
                f"level to be expected at {self.meter}, by the reading before ({read_dbm:.2f} dBm with {self.source_of(feed)} at "
                f"{before_dbm:.2f} dBm)",
                expected_dbm, limit_dbm, "dBm", bench_key(self.meter, "input_max"),
            )  # fmt: skip

    def _require_others_off(self, feed: Feed) -> None:
        """The sensor adds what it is given. Asked when another source's turn comes: each is read back off after each reading."""
        if feed in self._last:
            return
        for other, source in self._sources.items():
            if other != feed and source.is_output_on():
                raise InstrumentError(source.name, f"RF reads on, and the {feed} is to be read alone. Switch it off by hand")

    def _connect_routes(self) -> None:
        """RF is off: a contact that opens under power burns. A switch that is there already is not moved."""
        switch = self._hookup.switch
        if switch is None or self._last:
            return
        switch.connect(self._hookup.routes)
        self._clock.sleep(switch.settling_time_s)

    def accuracy_of(self, feed: Feed) -> PowerAccuracy:
        """As PowerStation.accuracy_of."""
        wiring = self._bench.bench.file.wiring.channels[self.channel]
        return power_accuracy(self._settings_of(feed), self._meter_settings, wiring)


def _shown(level_dbm: float) -> str:
    if math.isnan(level_dbm):
        return "no level"
    return f"{level_dbm:.2f} dBm" if math.isfinite(level_dbm) else "under or over range"
