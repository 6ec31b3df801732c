"""Bits of the status registers (IEEE 488.2, 11; SCPI-1999 Vol 2, STATus)."""

from __future__ import annotations

from enum import IntFlag

__all__ = ["EventStatus", "OperationStatus", "QuestionableStatus", "StatusByte"]


class EventStatus(IntFlag):
    """The standard event status register, `*ESR?`; reading clears it."""

    OPERATION_COMPLETE = 1
    REQUEST_CONTROL = 2
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    USER_REQUEST = 64
    POWER_ON = 128


class StatusByte(IntFlag):
    """The status byte, `*STB?`, as SCPI uses it; bit 6 is RQS instead of MSS in a serial poll."""

    DEVICE_0 = 1
    DEVICE_1 = 2
    ERROR_QUEUE = 4
    QUESTIONABLE = 8
    MESSAGE_AVAILABLE = 16
    EVENT_STATUS = 32
    MASTER_SUMMARY = 64
    OPERATION = 128


class OperationStatus(IntFlag):
    """`STATus:OPERation:CONDition?`: what the instrument is doing."""

    CALIBRATING = 1
    SETTLING = 2
    RANGING = 4
    SWEEPING = 8
    MEASURING = 16
    WAITING_FOR_TRIGGER = 32
    WAITING_FOR_ARM = 64
    CORRECTING = 128
    INSTRUMENT_SUMMARY = 8192
    PROGRAM_RUNNING = 16384


class QuestionableStatus(IntFlag):
    """`STATus:QUEStionable:CONDition?`: whose value is in doubt."""

    VOLTAGE = 1
    CURRENT = 2
    TIME = 4
    POWER = 8
    TEMPERATURE = 16
    FREQUENCY = 32
    PHASE = 64
    MODULATION = 128
    CALIBRATION = 256
    INSTRUMENT_SUMMARY = 8192
    COMMAND_WARNING = 16384
