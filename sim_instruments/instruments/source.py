"""RF signal source (SCPI-1999 class "RF and microwave sources"; tree from the SOURce and OUTPut subsystems)."""

from __future__ import annotations

import math
from typing import ClassVar

from benchkit.bench.model import SourceSettings
from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.instruments.noise import StatedError, error_within
from sim_instruments.instruments.options import SourceOptions
from sim_instruments.instruments.settings import choice_setting, number_setting, switch_setting
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.scpi import AnyNumber, Choice, Command, Fault, LimitWord, Maybe, Number
from sim_instruments.scpi.formats import number
from sim_instruments.scpi.tokens import NumberToken, Token
from sim_instruments.scpi.units import watts_from_dbm

__all__ = ["SimulatedSource"]

# The level error varies with frequency over about this span.
ERROR_PERIOD_HZ = 700e6
# And with level, where that is drawn.
LINEARITY_PERIOD_DB = 12.0


class SimulatedSource(SimulatedInstrument):
    """
    Frequency, level, level limit, output.

    The level it settles to is the level set, rounded to its resolution, plus an error within its stated accuracy that
    varies slowly with frequency. A level above an active level limit is refused (-222), as is a limit below the level
    set (-221).
    """

    model: ClassVar[str] = "RF source"

    def __init__(
        self,
        name: str,
        settings: SourceSettings,
        options: SourceOptions,
        surroundings: Surroundings,
        *,
        seed: int,
        t: float,
    ) -> None:
        self._surroundings = surroundings
        self._accuracy_db = settings.level_accuracy_db
        self._settling_time_s = settings.settling_time_s if options.settling_time_s is None else options.settling_time_s
        self._error = error_within(seed, name, period=ERROR_PERIOD_HZ, errors=options.errors)
        # Of a difference of two levels it is the limit: each level has half of it, within the accuracy.
        is_drawn = options.errors == "as stated" and settings.linearity_db is not None
        self._half_linearity_db = 0.5 * (settings.linearity_db or 0.0) if is_drawn else 0.0
        self._linearity = StatedError(seed, name, "linearity", period=LINEARITY_PERIOD_DB)
        middle_hz = 0.5 * (settings.frequency_min_hz + settings.frequency_max_hz)
        self._frequency = Number(
            "HZ", settings.frequency_min_hz, settings.frequency_max_hz, middle_hz, options.frequency_resolution_hz
        )
        # It can do a little more than the bench file lets benchkit ask for, so that walls passed can be seen.
        low_dbm, high_dbm = settings.level_min_dbm - 10.0, settings.level_max_dbm + 5.0
        self._level = Number("DBM", low_dbm, high_dbm, low_dbm, options.resolution_db)
        self._limit = Number("DBM", low_dbm, high_dbm, high_dbm, options.resolution_db)
        self._has_limit = not settings.without_level_limit
        super().__init__(name, seed=seed, maker=options.maker_text, t=t)
        self._default(t)

    def commands(self) -> list[Command]:
        level = (AnyNumber(),)
        commands = [
            number_setting("[:SOURce]:FREQuency[:CW|:FIXed]", self._frequency, lambda: self._frequency_hz, self._set_frequency),
            choice_setting("[:SOURce]:FREQuency:MODE", Choice("CW", "FIXed"), lambda: "CW", self._keep),
            Command(
                "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]",
                act=self._set_level,
                takes=level,
                ask=self._ask_level,
                ask_takes=(Maybe(LimitWord()),),
            ),
            choice_setting("[:SOURce]:POWer:MODE", Choice("CW", "FIXed"), lambda: "FIX", self._keep),
            switch_setting("[:SOURce]:POWer:ALC[:STATe]", lambda: self._alc, self._set_alc),
            choice_setting("[:SOURce]:POWer:ALC:SOURce", Choice("INTernal"), lambda: "INT", self._keep),
            choice_setting("[:SOURce]:ROSCillator:SOURce", Choice("INTernal"), lambda: "INT", self._keep),
            choice_setting("UNIT:POWer", Choice("DBM", "W"), lambda: self._unit, self._set_unit),
            switch_setting("OUTPut[:STATe]", lambda: self._on, self._set_output),
        ]
        if self._has_limit:
            commands += [
                Command(
                    "[:SOURce]:POWer:LIMit[:AMPLitude]",
                    act=self._set_limit,
                    takes=level,
                    ask=self._ask_limit,
                    ask_takes=(Maybe(LimitWord()),),
                ),
                switch_setting("[:SOURce]:POWer:LIMit:STATe", lambda: self._limit_on, self._set_limit_state),
            ]
        return commands

    @property
    def active_limit_dbm(self) -> float:
        """Level that its own limiter holds; infinity: it is not switched on. [dBm]"""
        return self._limit_dbm if self._has_limit and self._limit_on else math.inf

    def reset(self, t: float) -> None:
        self._default(t)

    def _default(self, t: float) -> None:
        self._frequency_hz = self._frequency.default
        self._level_dbm = self._level.default
        self._limit_dbm = self._limit.default
        self._limit_on = False
        self._alc = True
        self._unit = "DBM"
        self._on = False
        self._apply(t)

    def _apply(self, t: float) -> None:
        level_dbm = self._level_dbm + (self._accuracy_db - self._half_linearity_db) * self._error.at(self._frequency_hz)
        level_dbm += self._half_linearity_db * self._linearity.at(self._level_dbm)
        self._surroundings.source_changed(self.name, t, frequency_hz=self._frequency_hz, level_dbm=level_dbm, on=self._on)
        self._settle(t, self._settling_time_s)

    def _set_frequency(self, t: float, frequency_hz: float) -> None:
        if frequency_hz != self._frequency_hz:
            self._frequency_hz = frequency_hz
            self._apply(t)

    def _set_level(self, t: float, token: Token) -> None:
        level_dbm = self._dbm(token, self._level)
        if self._limit_on and level_dbm > self._limit_dbm:
            raise Fault(-222, f"{level_dbm:.4g} DBM is above POWer:LIMit {self._limit_dbm:.4g} DBM")
        if level_dbm != self._level_dbm:
            self._level_dbm = level_dbm
            self._apply(t)

    def _set_limit(self, t: float, token: Token) -> None:
        limit_dbm = self._dbm(token, self._limit)
        self._check_limit(limit_dbm, self._limit_on)
        self._limit_dbm = limit_dbm

    def _set_limit_state(self, t: float, on: bool) -> None:
        self._check_limit(self._limit_dbm, on)
        self._limit_on = on

    def _check_limit(self, limit_dbm: float, on: bool) -> None:
        if on and self._level_dbm > limit_dbm:
            raise Fault(-221, f"POWer is {self._level_dbm:.4g} DBM, above the limit {limit_dbm:.4g} DBM")

    def _set_output(self, t: float, on: bool) -> None:
        if on != self._on:
            self._on = on
            self._apply(t)

    def _set_alc(self, t: float, on: bool) -> None:
        self._alc = on

    def _set_unit(self, t: float, unit: str) -> None:
        self._unit = unit

    def _keep(self, t: float, word: str) -> None:
        """Setting the one mode there is."""

    def _dbm(self, token: Token, limits: Number) -> float:
        # A number without a suffix is in UNIT:POWer.
        if self._unit == "W" and isinstance(token, NumberToken) and not token.suffix:
            token = NumberToken(token.value, "W")
        return limits.read(token)

    def _ask_level(self, t: float, word: str | None) -> str:
        return self._format(self._level_dbm if word is None else self._level.limit(word))

    def _ask_limit(self, t: float, word: str | None) -> str:
        return self._format(self._limit_dbm if word is None else self._limit.limit(word))

    def _format(self, level_dbm: float) -> str:
        return number(level_dbm if self._unit == "DBM" else watts_from_dbm(level_dbm))
