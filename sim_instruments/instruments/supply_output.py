"""One output of a DC supply: settings, protection, errors, readings."""

from __future__ import annotations

from benchkit.bench.model import SupplyChannelRatings
from sim_instruments.instruments.noise import Noise, StatedError, SystematicError, error_within
from sim_instruments.instruments.options import SupplyOptions
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.scpi import Fault, Number

__all__ = ["SupplyOutput"]

# Protection levels go this far beyond the largest voltage.
PROTECTION_HEADROOM = 1.2
# Current limit after *RST, as a part of the largest.
DEFAULT_CURRENT = 0.1
ERROR_PERIOD_V = 17.0
ERROR_PERIOD_A = 1.9


class SupplyOutput:
    """
    Errors stay within the stated accuracy: what is set and what is read each have their own.

    Args:
        name: The supply's name in the bench file.
        channel: Number of the output.
    """

    def __init__(
        self,
        name: str,
        channel: int,
        ratings: SupplyChannelRatings,
        options: SupplyOptions,
        surroundings: Surroundings,
        *,
        seed: int,
    ) -> None:
        self.channel = channel
        self.has_over_voltage = not ratings.without_over_voltage
        self.has_over_current = not ratings.without_over_current
        largest_v = max(abs(ratings.voltage_min_v), abs(ratings.voltage_max_v))
        protection_v = PROTECTION_HEADROOM * largest_v
        zero_v = min(max(0.0, ratings.voltage_min_v), ratings.voltage_max_v)
        step_v, step_a = options.voltage_resolution_v, options.current_resolution_a
        self.voltage = Number("V", ratings.voltage_min_v, ratings.voltage_max_v, zero_v, step_v)
        self.current = Number("A", 0.0, ratings.current_max_a, DEFAULT_CURRENT * ratings.current_max_a, step_a)
        # A magnitude, whichever way the output goes.
        self.over_voltage = Number("V", 0.0, protection_v, protection_v, step_v)
        self.reading: tuple[float, float] | None = None
        self.acquired_in = 0
        self.asked: set[str] = set()
        self._name = name
        self._surroundings = surroundings
        self._voltage_accuracy = (ratings.voltage_accuracy.of_reading_percent / 100.0, ratings.voltage_accuracy.floor_v)
        self._current_accuracy = (ratings.current_accuracy.of_reading_percent / 100.0, ratings.current_accuracy.floor_a)
        self._steps = (step_v, step_a)
        self._noise_v, self._noise_a = options.voltage_noise_v, options.current_noise_a
        self._noise = Noise(seed, name, str(channel), "noise")
        self._set_error = error_within(seed, name, str(channel), "set", period=ERROR_PERIOD_V, errors=options.errors)
        self._read_error_v = error_within(seed, name, str(channel), "volts", period=ERROR_PERIOD_V, errors=options.errors)
        self._read_error_a = error_within(seed, name, str(channel), "amperes", period=ERROR_PERIOD_A, errors=options.errors)

    def reset(self, t: float) -> None:
        """Off, at zero, protections at their widest."""
        self.voltage_v = self.voltage.default
        self.current_limit_a = self.current.default
        self.over_voltage_v = self.over_voltage.default
        self.over_voltage_on = True
        self.over_current_on = False
        self._on = False
        self.reading = None
        self._apply(t)
        self._protect()
        self._surroundings.supply_clear_trip(self._name, self.channel, t)

    def set_voltage(self, t: float, voltage_v: float) -> None:
        if self.has_over_voltage and self.over_voltage_on and abs(voltage_v) > self.over_voltage_v:
            raise Fault(-221, f"{voltage_v:.6g} V is beyond VOLTage:PROTection {self.over_voltage_v:.6g} V")
        self.voltage_v = voltage_v
        self._apply(t)

    def set_current_limit(self, t: float, current_a: float) -> None:
        self.current_limit_a = current_a
        self._apply(t)

    def set_over_voltage(self, t: float, voltage_v: float) -> None:
        self._require_over_voltage()
        self.over_voltage_v = voltage_v
        self._protect()

    def switch_over_voltage(self, t: float, on: bool) -> None:
        self._require_over_voltage()
        self.over_voltage_on = on
        self._protect()

    def set_over_current(self, t: float, on: bool) -> None:
        if not self.has_over_current:
            raise Fault(-241, f"output {self.channel} has no over-current protection")
        self.over_current_on = on
        self._protect()

    def switch(self, t: float, on: bool) -> None:
        if on and self.trip(t):
            raise Fault(-221, f"output {self.channel} tripped: {self.trip(t)}; clear it first")
        self._on = on
        self._apply(t)

    def is_on(self, t: float) -> bool:
        """As the output is, not as it was set: off after a trip."""
        return self._on and not self.trip(t)

    def trip(self, t: float) -> str:
        """ "", "over voltage" or "over current"."""
        return self._surroundings.supply_terminal(self._name, self.channel, t).tripped

    def clear_trip(self, t: float) -> None:
        """The output stays off until it is switched on again."""
        if self.trip(t):
            self._on = False
            self._apply(t)
            self._surroundings.supply_clear_trip(self._name, self.channel, t)

    def acquire(self, t: float) -> None:
        """Take voltage and current as they are now into `reading`."""
        terminal = self._surroundings.supply_terminal(self._name, self.channel, t)
        noise = self._noise
        voltage_v = self._with_error(terminal.voltage_v, self._voltage_accuracy, self._read_error_v)
        current_a = self._with_error(terminal.current_a, self._current_accuracy, self._read_error_a)
        step_v, step_a = self._steps
        self.reading = (
            round((voltage_v + self._noise_v * noise()) / step_v) * step_v,
            round((current_a + self._noise_a * noise()) / step_a) * step_a,
        )

    def has_unasked(self, quantity: str, message_number: int) -> bool:
        """Whether this message has acquired already what `quantity` needs."""
        return self.reading is not None and self.acquired_in == message_number and quantity not in self.asked

    @staticmethod
    def _with_error(value: float, accuracy: tuple[float, float], error: SystematicError | StatedError) -> float:
        of_reading, floor = accuracy
        return value + (of_reading * abs(value) + floor) * error.at(value)

    def _require_over_voltage(self) -> None:
        if not self.has_over_voltage:
            raise Fault(-241, f"output {self.channel} has no over-voltage protection")

    def _apply(self, t: float) -> None:
        self.reading = None
        self._surroundings.supply_changed(
            self._name,
            self.channel,
            t,
            voltage_v=self._with_error(self.voltage_v, self._voltage_accuracy, self._set_error),
            current_limit_a=self.current_limit_a,
            on=self._on,
        )

    def _protect(self) -> None:
        self._surroundings.supply_protection(
            self._name,
            self.channel,
            over_voltage_v=self.over_voltage_v if self.has_over_voltage and self.over_voltage_on else None,
            over_current=self.over_current_on,
        )
