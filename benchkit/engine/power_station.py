"""
Source and power meter at one channel before anything is biased: hands take the sensor where it is wanted, RF is on for a reading.

Whatever is connected by hand is connected with RF and every supply output read back off first. A reading is refused, and RF goes
off, when the meter is told more than it stands or less than it can read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from benchkit.bench.model import PowerMeterSettings, SourceSettings
from benchkit.bench.open import OpenBench
from benchkit.bench.paths import LossPath
from benchkit.clock import Clock
from benchkit.engine.hookup import Hookup
from benchkit.errors import ConditionError, InstrumentError, LimitError, MisuseError
from benchkit.measurements.power_before import PowerBefore, Thing
from benchkit.quantities.format import format_quantity
from benchkit.results.path_budget import PowerAccuracy
from benchkit.roles import NetworkAnalyser, PowerMeter, Source, Supply

__all__ = ["SensorStation"]

Store = Callable[[str, Mapping[str, float | int | str]], None]
Note = Callable[[str, str], None]

PLACES: dict[Thing, str] = {
    "sensor at source": "the power meter's sensor, at the connector of the source",
    "sensor": "the power meter's sensor, at the device's input plane",
    "thru": "a thru in place of the device, the power meter's sensor at its own place",
    "device": "the device, the power meter's sensor at its own place",
}


class SensorStation:
    """
    Implements benchkit.measurements.power_before.PowerStation.

    Args:
        store: Takes rows of a kind's own streams.
        note: Takes events: kind and text.
        files: What the sequence's kinds name, by name.
    """

    def __init__(
        self, bench: OpenBench, hookup: Hookup, clock: Clock, asked: PowerBefore, store: Store, note: Note,
        files: Mapping[str, bytes],
    ) -> None:  # fmt: skip
        if hookup.source is None or hookup.meter is None:
            raise MisuseError(f"channel {hookup.channel}: its source or power meter is not open")
        self._source: Source = hookup.source
        self._meter: PowerMeter = hookup.meter
        self._bench, self._hookup, self._clock, self._asked = bench, hookup, clock, asked
        self._store, self._note, self._files = store, note, files
        source, meter = (bench.bench.file.instruments[one.name] for one in (self._source, self._meter))
        assert isinstance(source, SourceSettings), "load_bench checks roles"
        assert isinstance(meter, PowerMeterSettings), "load_bench checks roles"
        self._source_settings, self._meter_settings = source, meter
        if hookup.switch is not None:
            self._require_off("the switch is to be set")
            hookup.switch.connect(hookup.routes)
            clock.sleep(hookup.switch.settling_time_s)
        self._meter.set_averages(asked.averages)

    @property
    def channel(self) -> str:
        return self._hookup.channel

    @property
    def source(self) -> str:
        return self._source.name

    @property
    def meter(self) -> str:
        return self._meter.name

    @property
    def input_path(self) -> LossPath:
        return self._hookup.input_path

    @property
    def output_path(self) -> LossPath:
        return self._hookup.output_path

    @property
    def accuracy(self) -> PowerAccuracy:
        """As PowerStation.accuracy."""
        source, meter = self._source_settings, self._meter_settings
        wiring = self._bench.bench.file.wiring.channels[self.channel]
        into, out = wiring.input.mismatch, wiring.output.mismatch
        stated = into or out
        return PowerAccuracy(
            source_db=source.level_accuracy_db,
            meter_db=meter.accuracy_db,
            source_linearity_db=source.linearity_db,
            source_resolution_db=source.resolution_db,
            meter_linearity_db=meter.linearity_db,
            meter_resolution_db=meter.resolution_db,
            zero_dbm=meter.zero_dbm,
            noise_db=meter.noise_db,
            input_return_loss_db=None if into is None else into.path_return_loss_db,
            output_return_loss_db=None if out is None else out.path_return_loss_db,
            convention="largest magnitudes" if stated is None else stated.convention,
        )

    def connect(self, what: Thing) -> None:
        """As PowerStation.connect."""
        hands = self._bench.hands
        if hands is None:
            raise InstrumentError(
                self.meter,
                f"channel {self.channel}: connect {PLACES[what]}, and nobody is there to be asked: start the run from a terminal",
            )
        self._require_off(f"{what} is to be connected by hand")
        hands.connect(self.channel, what)
        self._note("connected", f"channel {self.channel}: {PLACES[what]}")

    def zero(self) -> None:
        self._require_off("the sensor is to be zeroed")
        self._note("zeroing", f"{self.meter}: zeroed where it is, RF off")
        self._meter.zero()

    def read(self, frequency_hz: float, level_dbm: float) -> tuple[float, float]:
        """As PowerStation.read. When it raises, RF may be on: make safe takes it off first, as ever."""
        source, meter = self._source, self._meter
        at_source_dbm = level_dbm
        if self._asked.plane == "device":
            at_source_dbm += self.input_path.loss_db(frequency_hz)
        source.set_frequency(frequency_hz)
        meter.set_frequency(frequency_hz)
        source.set_level(at_source_dbm)
        source.output_on()
        source.confirm()
        self._clock.sleep(source.settling_time_s)
        meter.arm()
        read_dbm = meter.collect()
        source.output_off()
        if source.is_output_on():
            raise InstrumentError(source.name, "RF reads on after it was switched off. Switch it off by hand")
        self._judge(read_dbm, f"channel {self.channel}, {format_quantity(frequency_hz, 'Hz', 9)}, {at_source_dbm:g} dBm set")
        return at_source_dbm, read_dbm

    def _judge(self, read_dbm: float, where: str) -> None:
        settings = self._meter_settings
        if read_dbm > settings.input_max_dbm:
            raise LimitError(
                f"{where}: reading of {self.meter}", read_dbm, settings.input_max_dbm, "dBm",
                f"{self._bench.bench.path.name}: instruments.{self.meter}.input_max; is there an amplifier in the path? Put an "
                "attenuator before the sensor",
            )  # fmt: skip
        # `not ... <=` refuses NaN too.
        if not settings.range_min_dbm <= read_dbm <= settings.range_max_dbm:
            raise ConditionError(
                f"{where}: {self.meter} reads {read_dbm:.2f} dBm, outside {settings.range_min_dbm:g} dBm to "
                f"{settings.range_max_dbm:g} dBm (instruments.{self.meter}.range_min, range_max): no loss can be told from it. "
                "Is the sensor where it was asked for, and is everything connected? Nothing is biased"
            )

    def _require_off(self, why: str) -> None:
        for instrument in self._bench.instruments.values():
            if isinstance(instrument, Source | NetworkAnalyser) and instrument.is_output_on():
                raise InstrumentError(instrument.name, f"RF reads on, and {why}. Switch it off by hand")
            if isinstance(instrument, Supply):
                on = [output for output in instrument.channels if instrument.is_output_on(output)]
                if on:
                    raise InstrumentError(instrument.name, f"output {on[0]} reads on, and {why}. Switch it off by hand")

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
