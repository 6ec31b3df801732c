"""What all simulated instruments have in common: status, common commands, the headers every SCPI device must have."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar

from sim_instruments.instruments.executor import NEVER, Executor
from sim_instruments.instruments.noise import generator
from sim_instruments.instruments.port import Port
from sim_instruments.scpi import Command, Fault, Integer, Status
from sim_instruments.scpi.status import OPERATION_COMPLETE, ConditionRegister

__all__ = ["SimulatedInstrument"]

FIRMWARE = "1.0"
VERSION = "1999.0"

# STATus:OPERation bits (SCPI volume 2, 20.3).
SETTLING = 0x0002
MEASURING = 0x0010


class SimulatedInstrument(Executor, ABC):
    """
    One instrument: its settings, its parser, its status.

    Args:
        name: Its name in the bench file.
        seed: Of the twin; with the name it decides the serial number.
        maker: First field of the answer to *IDN?.
        t: Now: the moment it is switched on. [s]
    """

    model: ClassVar[str]

    def __init__(self, name: str, *, seed: int, maker: str, t: float) -> None:
        self.status = Status()
        self._settled_at = t
        self._measured_at = t
        self._complete_at = NEVER
        self._maker = maker
        self._serial = f"SIM-{generator(seed, name, 'serial').integers(0, 1_000_000):06d}"
        super().__init__(name, self.status, [*self._common_commands(), *self.commands()], t)

    # ------------------------------------------------------------------ what a kind of instrument fills in

    @abstractmethod
    def commands(self) -> list[Command]:
        """Its own headers."""

    @abstractmethod
    def reset(self, t: float) -> None:
        """*RST: its own settings to their defaults, outputs off."""

    def abort(self, t: float) -> None:
        """ABORt: a measurement under way is given up."""

    def trigger(self, t: float) -> None:
        """*TRG or a bus trigger."""
        raise Fault(-211)

    def questionable_condition(self, t: float) -> int:
        """Bits of STATus:QUEStionable as they are now."""
        return 0

    # ------------------------------------------------------------------ for the transport

    def clear(self, t: float, port: Port) -> None:
        """Device clear: drops input, output and waiting messages; settings stay."""
        port.clear()
        self._complete_at = NEVER

    def read_status_byte(self, t: float, port: Port) -> int:
        """Serial poll."""
        self._refresh(t)
        return self.status.byte(any(reply.ready_at <= t for reply in port.replies))

    # ------------------------------------------------------------------ pending operations

    def _settle(self, t: float, duration_s: float) -> None:
        """A setting changed: it has settled after `duration_s`."""
        self._settled_at = max(self._settled_at, t + duration_s)

    def _pending_until(self) -> float:
        return max(self._settled_at, self._measured_at)

    def _refresh(self, t: float) -> None:
        """Bring the status up to `t`; it is only looked at here, so that commands do not pay for it."""
        operation = (SETTLING if self._settled_at > t else 0) | (MEASURING if self._measured_at > t else 0)
        self.status.operation.update(operation)
        self.status.questionable.update(self.questionable_condition(t))
        if self._complete_at <= t:
            self.status.event_status |= OPERATION_COMPLETE
            self._complete_at = NEVER

    # ------------------------------------------------------------------ common commands and the SCPI minimum

    def _common_commands(self) -> list[Command]:
        byte = (Integer(0, 255, 0),)
        commands = [
            Command("*CLS", act=self._clear_status),
            Command("*ESE", act=self._set_event_enable, takes=byte, ask=lambda _t: str(self.status.event_enable)),
            Command("*ESR", ask=self._ask_event_status),
            Command("*IDN", ask=self._ask_identity, arbitrary=True),
            Command("*OPC", act=self._note_completion, ask=self._ask_completion),
            Command("*OPT", ask=lambda _t: "0", arbitrary=True),
            Command("*RST", act=self._reset),
            Command("*SRE", act=self._set_service_enable, takes=byte, ask=lambda _t: str(self.status.service_enable)),
            Command("*STB", ask=self._ask_status_byte),
            Command("*TRG", act=self.trigger),
            Command("*TST", ask=lambda _t: "0"),
            Command("*WAI", act=lambda _t: self._hold_all(self._pending_until())),
            Command("ABORt", act=self.abort),
            Command("SYSTem:ERRor[:NEXT]", ask=lambda _t: self.status.errors.next()),
            Command("SYSTem:ERRor:COUNt", ask=lambda _t: str(len(self.status.errors))),
            Command("SYSTem:ERRor:ALL", ask=lambda _t: self.status.errors.all()),
            Command("SYSTem:ERRor:CODE[:NEXT]", ask=lambda _t: self.status.errors.next_code()),
            Command("SYSTem:ERRor:CODE:ALL", ask=lambda _t: self.status.errors.all_codes()),
            Command("SYSTem:VERSion", ask=lambda _t: VERSION),
            Command("SYSTem:PRESet", act=self._reset),
            Command("STATus:PRESet", act=self._preset_status),
        ]
        commands += self._register_commands("STATus:OPERation", self.status.operation)
        commands += self._register_commands("STATus:QUEStionable", self.status.questionable)
        return commands

    def _register_commands(self, path: str, register: ConditionRegister) -> list[Command]:
        word = (Integer(0, 0x7FFF, 0),)

        def ask_event(t: float) -> str:
            self._refresh(t)
            return str(register.take_events())

        def ask_condition(t: float) -> str:
            self._refresh(t)
            return str(register.condition)

        def field(node: str, attribute: str) -> Command:
            return Command(
                f"{path}:{node}",
                act=lambda _t, value: setattr(register, attribute, value),
                takes=word,
                ask=lambda _t: str(getattr(register, attribute)),
            )

        return [
            Command(f"{path}[:EVENt]", ask=ask_event),
            Command(f"{path}:CONDition", ask=ask_condition),
            field("ENABle", "enable"),
            field("PTRansition", "positive"),
            field("NTRansition", "negative"),
        ]

    def _clear_status(self, t: float) -> None:
        self._refresh(t)
        self.status.clear()
        self._complete_at = NEVER

    def _set_event_enable(self, t: float, value: int) -> None:
        self.status.event_enable = value

    def _set_service_enable(self, t: float, value: int) -> None:
        # Bit 6 is the summary itself and cannot be enabled (IEEE 488.2, 11.3.2).
        self.status.service_enable = value & ~0x40

    def _ask_event_status(self, t: float) -> str:
        self._refresh(t)
        return str(self.status.take_event_status())

    def _ask_status_byte(self, t: float) -> str:
        self._refresh(t)
        return str(self.status.byte(message_available=False))

    def _ask_identity(self, t: float) -> str:
        return f"{self._maker},{self.model},{self._serial},{FIRMWARE}"

    def _note_completion(self, t: float) -> None:
        self._complete_at = max(t, self._pending_until())

    def _ask_completion(self, t: float) -> str:
        self._hold(self._pending_until())
        return "1"

    def _reset(self, t: float) -> None:
        self.abort(t)
        self._complete_at = NEVER
        self.reset(t)

    def _preset_status(self, t: float) -> None:
        self.status.operation.preset()
        self.status.questionable.preset()
