"""Digital multimeter: DC volts, two- and four-wire ohms (SCPI-1999 class "digital meters")."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import ClassVar

from benchkit.bench.model import VoltmeterSettings
from sim_instruments.instruments.acquisition import AcquiringInstrument
from sim_instruments.instruments.noise import Noise, error_within
from sim_instruments.instruments.options import VoltmeterOptions
from sim_instruments.instruments.settings import integer_setting, number_setting, switch_setting
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.scpi import AnyNumber, Command, Fault, Integer, Maybe, Number, Parameter, Text
from sim_instruments.scpi.formats import numbers, quoted
from sim_instruments.scpi.tokens import Token, WordToken

__all__ = ["SimulatedVoltmeter"]

ERROR_PERIOD_V = 2.7
ERROR_PERIOD_OHM = 310.0
# A range reads this far beyond its name.
OVER_RANGE = 1.2
VOLTAGE, TWO_WIRE, FOUR_WIRE = "VOLT", "RES", "FRES"
FUNCTIONS = {
    "VOLT": VOLTAGE, "VOLTAGE": VOLTAGE, "VOLT:DC": VOLTAGE, "VOLTAGE:DC": VOLTAGE,
    "RES": TWO_WIRE, "RESISTANCE": TWO_WIRE, "FRES": FOUR_WIRE, "FRESISTANCE": FOUR_WIRE,
}  # fmt: skip
# The largest resistance range.
LARGEST_OHM = 100e6
# Leads and contacts, which a two-wire reading has in it.
LEADS_OHM = 0.2


class SimulatedVoltmeter(AcquiringInstrument):
    """
    One function at a time; a reading takes the bench file's reading time at NPLCycles 1, more or less in proportion.

    Beyond the largest range it reads overload (9.9E37). Without a resistance accuracy in the bench file it has no ohms.
    """

    model: ClassVar[str] = "Digital voltmeter"

    def __init__(
        self,
        name: str,
        settings: VoltmeterSettings,
        options: VoltmeterOptions,
        surroundings: Surroundings,
        *,
        seed: int,
        t: float,
    ) -> None:
        self._surroundings = surroundings
        self._voltage_max_v = settings.voltage_max_v
        accuracy = settings.voltage_accuracy
        self._voltage_accuracy = (accuracy.of_reading_percent / 100.0, accuracy.floor_v)
        ohms = settings.resistance_accuracy
        self._resistance_accuracy = None if ohms is None else (ohms.of_reading_percent / 100.0, ohms.floor_ohm)
        self._options = options
        self._reading_time_s = settings.reading_time_s if options.reading_time_s is None else options.reading_time_s
        self._noise = Noise(seed, name, "noise")
        self._volt_error = error_within(seed, name, "volts", period=ERROR_PERIOD_V, errors=options.errors)
        self._ohm_error = error_within(seed, name, "ohms", period=ERROR_PERIOD_OHM, errors=options.errors)
        self._cycles = Number("", 0.01, 100.0, 1.0)
        self._samples = Integer(1, 10000, 1)
        super().__init__(name, seed=seed, maker=options.maker_text, t=t)
        self._default(t)

    def commands(self) -> list[Command]:
        range_and_resolution: tuple[Parameter | Maybe, ...] = (Maybe(AnyNumber()), Maybe(AnyNumber()))
        commands = [
            *self.trigger_commands(),
            Command("FETCh", ask=self._fetch),
            Command("READ", ask=self._read),
            Command("CONFigure", ask=lambda _t: quoted(self._function)),
            Command(
                "[:SENSe]:FUNCtion[:ON]",
                act=self._set_function_text,
                takes=(Text(),),
                ask=lambda _t: quoted(self._function),
            ),
            integer_setting("SAMPle:COUNt", self._samples, lambda: self._count, self._set_count),
        ]
        for nodes, function in (("VOLTage[:DC]", VOLTAGE), ("RESistance", TWO_WIRE), ("FRESistance", FOUR_WIRE)):
            limits = self._range(function)
            commands += [
                Command(f"CONFigure[:SCALar]:{nodes}", act=self._configurer(function), takes=range_and_resolution),
                Command(f"MEASure[:SCALar]:{nodes}", ask=self._measurer(function), ask_takes=range_and_resolution),
                number_setting(
                    f"[:SENSe]:{nodes}:RANGe[:UPPer]",
                    limits,
                    self._range_getter(function),
                    self._range_setter(function),
                ),
                switch_setting(f"[:SENSe]:{nodes}:RANGe:AUTO", self._auto_getter(function), self._auto_setter(function)),
                number_setting(f"[:SENSe]:{nodes}:NPLCycles", self._cycles, lambda: self._nplc, self._set_cycles),
            ]
        return commands

    def reset(self, t: float) -> None:
        self._default(t)

    def _default(self, t: float) -> None:
        self.reset_trigger(t)
        self._function = VOLTAGE
        self._manual: dict[str, float] = {}
        self._nplc = self._cycles.default
        self._count = self._samples.default
        self._readings: list[float] = []

    # ------------------------------------------------------------------ reading

    def measuring_time_s(self) -> float:
        return self._reading_time_s * self._nplc * self._count

    def sample(self, t: float) -> None:
        voltage = self._function == VOLTAGE
        if voltage:
            true = self._surroundings.voltage_at(self.name, t)
            accuracy, error, noise = self._voltage_accuracy, self._volt_error, self._options.voltage_noise_v
            step, largest = self._options.voltage_resolution_v, self._voltage_max_v
        else:
            if self._resistance_accuracy is None:
                raise Fault(-241, "no ohms")
            true = self._surroundings.resistance_at(self.name, t)
            if self._function == TWO_WIRE:
                true += LEADS_OHM
            accuracy, error, noise = self._resistance_accuracy, self._ohm_error, self._options.resistance_noise_ohm
            step, largest = self._options.resistance_resolution_ohm, LARGEST_OHM
        limit = OVER_RANGE * self._manual.get(self._function, largest)
        if not abs(true) <= limit:
            self._readings = [math.copysign(math.inf, true)] * self._count
            return
        value = true + (accuracy[0] * abs(true) + accuracy[1]) * error.at(true)
        spread = noise / math.sqrt(self._nplc)
        self._readings = [round((value + spread * self._noise()) / step) * step for _ in range(self._count)]

    def _fetch(self, t: float) -> str:
        self.fetch(t)
        return numbers(self._readings)

    def _read(self, t: float) -> str:
        self.read(t)
        return numbers(self._readings)

    # ------------------------------------------------------------------ settings

    def _configure(self, t: float, function: str, expected: Token | None) -> None:
        """CONFigure: function and range; single, immediate, one reading."""
        self._choose(function)
        if expected is None or (isinstance(expected, WordToken) and expected.text in ("DEF", "AUTO")):
            self._manual.pop(function, None)
        else:
            self._manual[function] = self._range(function).read(expected)
        self._count = 1
        self._nplc = self._cycles.default
        self.reset_trigger(t)

    def _configurer(self, function: str) -> Callable[..., None]:
        return lambda t, expected, _resolution: self._configure(t, function, expected)

    def _measurer(self, function: str) -> Callable[..., str]:
        def measure(t: float, expected: Token | None, _resolution: Token | None) -> str:
            self._configure(t, function, expected)
            return self._read(t)

        return measure

    def _choose(self, function: str) -> None:
        if function != VOLTAGE and self._resistance_accuracy is None:
            raise Fault(-241, "no ohms")
        self._function = function

    def _set_function_text(self, t: float, text: str) -> None:
        function = FUNCTIONS.get(text.strip().removeprefix(":").upper())
        if function is None:
            raise Fault(-224, text[:40])
        if function != self._function:
            self._choose(function)
            self.make_stale(t)

    def _range(self, function: str) -> Number:
        if function == VOLTAGE:
            return Number("V", 0.0, self._voltage_max_v, self._voltage_max_v)
        return Number("OHM", 0.0, LARGEST_OHM, LARGEST_OHM)

    def _range_getter(self, function: str) -> Callable[[], float]:
        return lambda: self._manual.get(function, self._range(function).default)

    def _range_setter(self, function: str) -> Callable[..., None]:
        def put(t: float, value: float) -> None:
            self._manual[function] = value
            self.make_stale(t)

        return put

    def _auto_getter(self, function: str) -> Callable[[], bool]:
        return lambda: function not in self._manual

    def _auto_setter(self, function: str) -> Callable[[float, bool], None]:
        def put(t: float, on: bool) -> None:
            if on:
                self._manual.pop(function, None)
            else:
                self._manual.setdefault(function, self._range(function).default)
            self.make_stale(t)

        return put

    def _set_cycles(self, t: float, cycles: float) -> None:
        self._nplc = cycles
        self.make_stale(t)

    def _set_count(self, t: float, count: int) -> None:
        self._count = count
        self.make_stale(t)
