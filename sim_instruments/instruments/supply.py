"""DC supply with one or more outputs, addressed by channel list or by INSTrument:SELect."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from benchkit.bench.model import SupplySettings
from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.instruments.options import SupplyOptions
from sim_instruments.instruments.supply_output import SupplyOutput
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.scpi import AnyNumber, Boolean, Channels, Choice, Command, Fault, Integer, LimitWord, Maybe, Number
from sim_instruments.scpi.formats import boolean, number, numbers, quoted
from sim_instruments.scpi.tokens import Token

__all__ = ["SimulatedSupply"]

QUESTIONABLE_VOLTAGE = 0x0001
QUESTIONABLE_CURRENT = 0x0002

ChannelNumbers = tuple[int, ...] | None


class SimulatedSupply(SimulatedInstrument):
    """
    Outputs with voltage, current limit, over-voltage and over-current protection.

    One acquisition digitises voltage and current of one output together and takes the reading time; several outputs are
    acquired one after the other. Within one message MEASure:CURRent? after MEASure:VOLTage? of the same output uses
    the acquisition that is there already. A voltage beyond the protection level is refused (-221), and so is switching
    on an output that has tripped and was not cleared.
    """

    model: ClassVar[str] = "DC supply"

    def __init__(
        self,
        name: str,
        settings: SupplySettings,
        options: SupplyOptions,
        surroundings: Surroundings,
        *,
        seed: int,
        t: float,
    ) -> None:
        self._settling_time_s = settings.settling_time_s
        self._reading_time_s = settings.reading_time_s if options.reading_time_s is None else options.reading_time_s
        self._outputs = {
            channel: SupplyOutput(name, channel, ratings, options, surroundings, seed=seed)
            for channel, ratings in sorted(settings.channels.items())
        }
        self._all = tuple(self._outputs)
        super().__init__(name, seed=seed, maker=options.maker_text, t=t)
        self.reset(t)

    def commands(self) -> list[Command]:
        # Last parameter everywhere: the outputs meant; left out, the one selected.
        outputs = Maybe(Channels(frozenset(self._all)))
        names = Choice(synonyms={f"{word}{channel}": f"OUT{channel}" for channel in self._all for word in ("OUT", "CH")})
        commands = [
            self._number(
                "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                lambda output: output.voltage,
                lambda output: output.voltage_v,
                SupplyOutput.set_voltage,
                outputs,
            ),
            self._number(
                "[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
                lambda output: output.current,
                lambda output: output.current_limit_a,
                SupplyOutput.set_current_limit,
                outputs,
            ),
            self._switch("OUTPut[:STATe]", SupplyOutput.is_on, SupplyOutput.switch, outputs),
            Command("OUTPut:PROTection:CLEar", act=self._clear_trips, takes=(outputs,)),
            Command("INITiate[:IMMediate][:ACQuire]", act=self._initiate, takes=(outputs,)),
            Command("INSTrument[:SELect]", act=self._select_name, takes=(names,), ask=lambda _t: f"OUT{self._selected}"),
            Command(
                "INSTrument:NSELect",
                act=self._select,
                takes=(Integer(min(self._all), max(self._all), self._all[0]),),
                ask=lambda _t: str(self._selected),
            ),
            Command("INSTrument:CATalog", ask=lambda _t: ",".join(quoted(f"OUT{channel}") for channel in self._all)),
        ]
        if any(output.has_over_voltage for output in self._outputs.values()):
            commands += [
                self._number(
                    "[:SOURce]:VOLTage:PROTection[:LEVel]",
                    lambda output: output.over_voltage,
                    lambda output: output.over_voltage_v,
                    SupplyOutput.set_over_voltage,
                    outputs,
                ),
                self._switch(
                    "[:SOURce]:VOLTage:PROTection:STATe",
                    lambda output, _t: output.over_voltage_on,
                    SupplyOutput.switch_over_voltage,
                    outputs,
                ),
                self._flag("[:SOURce]:VOLTage:PROTection:TRIPped", lambda output, t: output.trip(t) == "over voltage", outputs),
                Command("[:SOURce]:VOLTage:PROTection:CLEar", act=self._clear_trips, takes=(outputs,)),
            ]
        if any(output.has_over_current for output in self._outputs.values()):
            commands += [
                self._switch(
                    "[:SOURce]:CURRent:PROTection:STATe",
                    lambda output, _t: output.over_current_on,
                    SupplyOutput.set_over_current,
                    outputs,
                ),
                self._flag("[:SOURce]:CURRent:PROTection:TRIPped", lambda output, t: output.trip(t) == "over current", outputs),
                Command("[:SOURce]:CURRent:PROTection:CLEar", act=self._clear_trips, takes=(outputs,)),
            ]
        quantities: dict[str, Callable[[tuple[float, float]], float]] = {
            "VOLTage": lambda reading: reading[0],
            "CURRent": lambda reading: reading[1],
            "POWer": lambda reading: reading[0] * reading[1],
        }
        for quantity, pick in quantities.items():
            commands += [
                Command(f"MEASure[:SCALar]:{quantity}[:DC]", ask=self._measure(quantity, pick), ask_takes=(outputs,)),
                Command(f"FETCh[:SCALar]:{quantity}[:DC]", ask=self._fetch(pick), ask_takes=(outputs,)),
            ]
        return commands

    def reset(self, t: float) -> None:
        self._selected = self._all[0]
        for output in self._outputs.values():
            output.reset(t)
        self._settle(t, self._settling_time_s)

    def abort(self, t: float) -> None:
        if self._measured_at > t:
            self._measured_at = t
            for output in self._outputs.values():
                output.reading = None

    def questionable_condition(self, t: float) -> int:
        trips = {output.trip(t) for output in self._outputs.values()}
        return (QUESTIONABLE_VOLTAGE if "over voltage" in trips else 0) | (QUESTIONABLE_CURRENT if "over current" in trips else 0)

    # ------------------------------------------------------------------ addressing

    def _chosen(self, channels: ChannelNumbers) -> list[SupplyOutput]:
        return [self._outputs[channel] for channel in channels or (self._selected,)]

    def _select(self, t: float, channel: int) -> None:
        if channel not in self._outputs:
            raise Fault(-222, f"there is no output {channel}")
        self._selected = channel

    def _select_name(self, t: float, name: str) -> None:
        self._selected = int(name.removeprefix("OUT"))

    # ------------------------------------------------------------------ settings, one or several outputs at once

    def _number(
        self,
        pattern: str,
        limits: Callable[[SupplyOutput], Number],
        get: Callable[[SupplyOutput], float],
        put: Callable[[SupplyOutput, float, float], None],
        outputs: Maybe,
    ) -> Command:
        def act(t: float, token: Token, channels: ChannelNumbers) -> None:
            chosen = self._chosen(channels)
            # All are read before one is set: a value that one of them refuses changes none.
            values = [limits(output).read(token) for output in chosen]
            for output, value in zip(chosen, values, strict=True):
                put(output, t, value)
            self._changed(t)

        def ask(_t: float, word: str | None, channels: ChannelNumbers) -> str:
            return numbers(get(output) if word is None else limits(output).limit(word) for output in self._chosen(channels))

        return Command(pattern, act=act, takes=(AnyNumber(), outputs), ask=ask, ask_takes=(Maybe(LimitWord()), outputs))

    def _switch(
        self,
        pattern: str,
        get: Callable[[SupplyOutput, float], bool],
        put: Callable[[SupplyOutput, float, bool], None],
        outputs: Maybe,
    ) -> Command:
        def act(t: float, on: bool, channels: ChannelNumbers) -> None:
            for output in self._chosen(channels):
                put(output, t, on)
            self._changed(t)

        flag = self._flag(pattern, get, outputs)
        return Command(pattern, act=act, takes=(Boolean(), outputs), ask=flag.ask, ask_takes=flag.ask_takes)

    def _flag(self, pattern: str, get: Callable[[SupplyOutput, float], bool], outputs: Maybe) -> Command:
        def ask(t: float, channels: ChannelNumbers) -> str:
            return ",".join([boolean(get(output, t)) for output in self._chosen(channels)])

        return Command(pattern, ask=ask, ask_takes=(outputs,))

    def _changed(self, t: float) -> None:
        self.abort(t)
        self._settle(t, self._settling_time_s)

    def _clear_trips(self, t: float, channels: ChannelNumbers) -> None:
        for output in self._chosen(channels):
            output.clear_trip(t)

    # ------------------------------------------------------------------ reading

    def _initiate(self, t: float, channels: ChannelNumbers) -> None:
        if self._measured_at > t:
            raise Fault(-213)
        self._acquire(t, self._chosen(channels))

    def _acquire(self, t: float, outputs: list[SupplyOutput]) -> None:
        for output in outputs:
            output.acquire(t)
            output.acquired_in, output.asked = self._message_number, set()
        self._measured_at = t + len(outputs) * self._reading_time_s

    def _measure(self, quantity: str, pick: Callable[[tuple[float, float]], float]) -> Callable[..., str]:
        def ask(t: float, channels: ChannelNumbers) -> str:
            chosen = self._chosen(channels)
            missing = [output for output in chosen if not output.has_unasked(quantity, self._message_number)]
            if missing:
                self.abort(t)
                self._acquire(t, missing)
            self._hold(self._measured_at)
            for output in chosen:
                output.asked.add(quantity)
            return self._answer(chosen, pick)

        return ask

    def _fetch(self, pick: Callable[[tuple[float, float]], float]) -> Callable[..., str]:
        def ask(_t: float, channels: ChannelNumbers) -> str:
            self._hold(self._measured_at)
            return self._answer(self._chosen(channels), pick)

        return ask

    @staticmethod
    def _answer(outputs: list[SupplyOutput], pick: Callable[[tuple[float, float]], float]) -> str:
        readings = []
        for output in outputs:
            if output.reading is None:
                raise Fault(-230, f"no reading of output {output.channel}")
            readings.append(number(pick(output.reading)))
        return ",".join(readings)
