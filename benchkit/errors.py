"""
Every error benchkit raises on purpose, split by who must act.

    BenchkitError
    ├── FileError           the author of a file: lists every mistake with file, line and key       exit 2
    ├── QuantityError       a text that is not a quantity of the unit asked for (becomes a Mistake) exit 2
    ├── ProofError          the plan cannot be proved harmless; nothing was energised               exit 2
    ├── RecordExistsError   the output file exists; benchkit never overwrites                       exit 2
    ├── FormatError         a file that is not a record this benchkit reads                         exit 2
    ├── LimitError          a wall was hit while running; the bench was made safe                   exit 4
    ├── InstrumentError     an instrument refused, or answered what it must not                     exit 3
    │   ├── ReplyError          a reply that is not what the question allows
    │   ├── ErrorQueueError     the instrument's own error queue was not empty
    │   ├── PowerCycledError    it was switched off and on, and is no longer set as it was
    │   └── ProtectionError     a protection reads back otherwise than it was set
    ├── LinkError           the wire                                                                exit 3
    │   ├── LinkTimeout         no reply within the time allowed on the call
    │   └── BrokenLinkError     the connection is gone, or never was
    ├── ConditionError      a condition was not reached (soak too long, quiescent current not met)  exit 3
    │   ├── TemperatureError    a temperature is not reached, or is lost
    │   ├── QuiescentError      a quiescent current is not met
    │   └── MeasurementError    a measurement failed alone: nothing is wrong with bench or device
    ├── GuardianError       the guardian did not start, or died; without it nothing stays energised      exit 3
    ├── RecordError         the record could not be written (disk full, lost file)                  exit 3
    ├── MakeSafeError       the bench may not be safe: says what could not be switched off          exit 3
    └── MisuseError         our own code called something out of order
        ├── ClosedError         used after close
        └── BiasOrderError      a bias transition that the table does not have
    Interrupted (BaseException)  Ctrl-C or SIGTERM; made safe                                       exit 130

A message says what, how much, the limit and which file and key set it; the parts are attributes too, so nobody
parses a message.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "BenchkitError",
    "BiasOrderError",
    "BrokenLinkError",
    "ClosedError",
    "ConditionError",
    "ErrorQueueError",
    "FileError",
    "FormatError",
    "GuardianError",
    "InstrumentError",
    "Interrupted",
    "LimitError",
    "LinkError",
    "LinkTimeout",
    "MakeSafeError",
    "MeasurementError",
    "Mistake",
    "MisuseError",
    "PowerCycledError",
    "ProofError",
    "ProtectionError",
    "QuantityError",
    "QuiescentError",
    "RecordError",
    "RecordExistsError",
    "ReplyError",
    "TemperatureError",
]


class BenchkitError(Exception):
    """Base of all errors that benchkit raises on purpose."""

    exit_code = 3


@dataclass(frozen=True)
class Mistake:
    """One mistake in one file: where it stands, what is wrong, and what would be right."""

    file: str
    line: int | None
    key: str
    message: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{place}: {self.key}: {self.message}" if self.key else f"{place}: {self.message}"


class FileError(BenchkitError):
    """One or more mistakes in the files given; all of them, not only the first."""

    exit_code = 2

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        count = len(self.mistakes)
        head = "1 mistake" if count == 1 else f"{count} mistakes"
        super().__init__("\n".join([head, *(f"  {mistake}" for mistake in self.mistakes)]))


class QuantityError(BenchkitError, ValueError):
    """A text that is not a quantity of the unit asked for."""

    exit_code = 2


class ProofError(FileError):
    """The plan cannot be proved harmless. Each mistake names the line that would have to change."""


class RecordExistsError(BenchkitError):
    """The output file exists. benchkit never overwrites."""

    exit_code = 2


class FormatError(BenchkitError):
    """Not a record that this benchkit reads."""

    exit_code = 2


class LimitError(BenchkitError):
    """
    A limit of device or bench was reached.

    Attributes:
        quantity: What was read or asked for, e.g. "drain current, channel A".
        value: How much, in `unit`.
        limit: The limit, in `unit`.
        unit: Unit of both.
        source: Which file and key set the limit, e.g. "kd14.yaml: limits.drain_current".
    """

    exit_code = 4

    def __init__(self, quantity: str, value: float, limit: float, unit: str, source: str, side: str = "above") -> None:
        self.quantity, self.value, self.limit, self.unit, self.source = quantity, value, limit, unit, source
        super().__init__(f"{quantity}: {value:.6g} {unit} is {side} the limit {limit:.6g} {unit} ({source})")


class InstrumentError(BenchkitError):
    """An instrument refused, or answered what it must not. `instrument` is its name in the bench file."""

    def __init__(self, instrument: str, message: str) -> None:
        self.instrument = instrument
        super().__init__(f"{instrument}: {message}")


class ReplyError(InstrumentError):
    """A reply that is not what the question allows."""


class ErrorQueueError(InstrumentError):
    """The instrument's error queue was not empty. `numbers`: of the errors in it, as SCPI-1999 Vol 2, 21.8 counts them."""

    def __init__(self, instrument: str, message: str, numbers: Sequence[int] = ()) -> None:
        self.numbers = tuple(numbers)
        super().__init__(instrument, message)


class PowerCycledError(InstrumentError):
    """It was switched off and on since it was prepared: what it was set to is gone, and what it has read since may be wrong."""


class ProtectionError(InstrumentError):
    """A protection could not be set, or reads back otherwise than it was set."""


class LinkError(BenchkitError):
    """The wire to one instrument. `instrument` is its name in the bench file."""

    def __init__(self, instrument: str, message: str) -> None:
        self.instrument = instrument
        super().__init__(f"{instrument}: {message}")


class LinkTimeout(LinkError):
    """No complete reply within the time allowed on the call."""


class BrokenLinkError(LinkError):
    """The connection is gone, or never was."""


class ConditionError(BenchkitError):
    """A condition was not reached within its bounds: temperature, soak, quiescent current."""


class TemperatureError(ConditionError):
    """A temperature is not reached, its soak is not done, or it is lost while measuring."""


class QuiescentError(ConditionError):
    """The quiescent current is not met where the gate may be searched."""


class MeasurementError(ConditionError):
    """
    A measurement can't give what it was asked for here, and says nothing against bench or device: a product below the noise, a
    calibration too old. Raised by a kind's measure(); what follows from it is the sequence's `on_failure`.
    """


class GuardianError(BenchkitError):
    """The second process did not start, or died. Without it nothing may be, or stay, energised."""


class RecordError(BenchkitError):
    """The record could not be written."""


class MakeSafeError(BenchkitError):
    """The bench may not be safe. The message lists what could not be switched off or verified."""

    def __init__(self, failures: Sequence[str]) -> None:
        self.failures = tuple(failures)
        super().__init__("could not be made safe or verified: " + "; ".join(self.failures))


class MisuseError(BenchkitError):
    """benchkit's own code, or a caller's, used something out of order."""


class ClosedError(MisuseError):
    """Used after close."""


class BiasOrderError(MisuseError):
    """A bias transition that the table does not have. Nothing was changed."""


class Interrupted(BaseException):  # like KeyboardInterrupt, it must pass every `except Exception`
    """Ctrl-C or SIGTERM. Like KeyboardInterrupt, it is not an Exception, so that nothing swallows it."""

    def __init__(self, signal_name: str) -> None:
        self.signal_name = signal_name
        super().__init__(f"interrupted by {signal_name}")
