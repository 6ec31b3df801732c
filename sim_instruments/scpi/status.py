"""Status reporting (IEEE 488.2, 11; SCPI volume 2, 20): event registers, the event status, the status byte."""

from __future__ import annotations

from dataclasses import dataclass, field

from sim_instruments.scpi.faults import ErrorQueue, event_bit

__all__ = ["ConditionRegister", "Status"]

POWER_ON = 0x80
OPERATION_COMPLETE = 0x01


@dataclass
class ConditionRegister:
    """Condition, transition filters, latched events, enable (SCPI volume 2, 20.1)."""

    condition: int = 0
    event: int = 0
    enable: int = 0
    positive: int = 0x7FFF
    negative: int = 0

    def update(self, condition: int) -> None:
        """Take the condition as it is now; a bit that changed is latched as its filter says."""
        changed = condition ^ self.condition
        if changed:
            self.event |= changed & condition & self.positive
            self.event |= changed & ~condition & self.negative
            self.condition = condition

    def take_events(self) -> int:
        """Read and clear."""
        event, self.event = self.event, 0
        return event

    def preset(self) -> None:
        """STATus:PRESet."""
        self.enable, self.positive, self.negative = 0, 0x7FFF, 0


@dataclass
class Status:
    """All of one device's status."""

    errors: ErrorQueue = field(default_factory=ErrorQueue)
    operation: ConditionRegister = field(default_factory=ConditionRegister)
    questionable: ConditionRegister = field(default_factory=ConditionRegister)
    event_status: int = POWER_ON
    event_enable: int = 0
    service_enable: int = 0

    def report(self, number: int, detail: str = "") -> None:
        """An error: into the queue, and its class into the event status register."""
        self.errors.add(number, detail)
        self.event_status |= event_bit(number)

    def take_event_status(self) -> int:
        """Read and clear."""
        value, self.event_status = self.event_status, 0
        return value

    def clear(self) -> None:
        """*CLS: events and errors, not the enables."""
        self.errors.clear()
        self.event_status = self.operation.event = self.questionable.event = 0

    def byte(self, message_available: bool) -> int:
        """Status byte with the master summary in bit 6."""
        value = 0x04 if len(self.errors) else 0
        if self.questionable.event & self.questionable.enable:
            value |= 0x08
        if message_available:
            value |= 0x10
        if self.event_status & self.event_enable:
            value |= 0x20
        if self.operation.event & self.operation.enable:
            value |= 0x80
        return value | (0x40 if value & self.service_enable & ~0x40 else 0)
