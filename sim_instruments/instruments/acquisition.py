"""The trigger model that measuring instruments share: INITiate, FETCh?, READ?, ABORt (SCPI volume 2, 3 and 24)."""

from __future__ import annotations

from abc import abstractmethod

from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.instruments.settings import choice_setting, switch_setting
from sim_instruments.scpi import Choice, Command, Fault

__all__ = ["AcquiringInstrument"]


class AcquiringInstrument(SimulatedInstrument):
    """
    One reading at a time: begun by INITiate, done `measuring_time` later, answered by FETCh? when it is done.

    What a reading is made of is sampled when it begins. A setting that the reading depends on makes it stale (-230).
    """

    _has_result = False
    _waits_for_trigger = False
    _continuous = False
    _trigger_source = "IMM"

    @abstractmethod
    def sample(self, t: float) -> None:
        """Take what the terminals show at `t` into the result."""

    @abstractmethod
    def measuring_time_s(self) -> float:
        """How long one reading takes as set now. [s]"""

    def trigger_commands(self) -> list[Command]:
        """INITiate and TRIGger."""
        return [
            Command("INITiate[:IMMediate][:ALL]", act=self.initiate),
            switch_setting("INITiate:CONTinuous", lambda: self._continuous, self._set_continuous),
            choice_setting(
                "TRIGger[:SEQuence]:SOURce", Choice("IMMediate", "BUS"), lambda: self._trigger_source, self._set_source
            ),
        ]

    def initiate(self, t: float) -> None:
        """INITiate."""
        if self._continuous or self._waits_for_trigger or self._measured_at > t:
            raise Fault(-213)
        if self._trigger_source == "BUS":
            self._has_result = False
            self._waits_for_trigger = True
        else:
            self._begin(t)

    def trigger(self, t: float) -> None:
        if not self._waits_for_trigger:
            raise Fault(-211)
        self._waits_for_trigger = False
        self._begin(t)

    def fetch(self, t: float) -> None:
        """FETCh?: the result is there, and can be read when the reading is done."""
        if self._continuous:
            self._begin(t)
        if not self._has_result:
            raise Fault(-230, "no reading")
        self._hold(self._measured_at)

    def read(self, t: float) -> None:
        """READ?: ABORt, INITiate, FETCh?."""
        if self._continuous:
            raise Fault(-213)
        if self._trigger_source == "BUS":
            raise Fault(-214)
        self.abort(t)
        self._begin(t)
        self._hold(self._measured_at)

    def abort(self, t: float) -> None:
        if self._measured_at > t:
            self._has_result = False
            self._measured_at = t
        self._waits_for_trigger = False

    def make_stale(self, t: float) -> None:
        """A setting changed on which the reading depends."""
        self.abort(t)
        self._has_result = False

    def reset_trigger(self, t: float) -> None:
        """*RST: idle, single, immediate."""
        self.make_stale(t)
        self._continuous = False
        self._trigger_source = "IMM"

    def _begin(self, t: float) -> None:
        self.sample(t)
        self._has_result = True
        self._measured_at = t + self.measuring_time_s()

    def _set_continuous(self, t: float, on: bool) -> None:
        self.abort(t)
        self._continuous = on

    def _set_source(self, t: float, source: str) -> None:
        self.abort(t)
        self._trigger_source = source
