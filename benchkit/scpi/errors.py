"""
The error/event queue (SCPI-1999 Vol 2, 21.8): its numbers, their names and classes, and the answer to SYSTem:ERRor?.

Names are not unique (-170 and -260 are both "Expression error"): key on the number. Numbers that the list lacks (-106,
-107 and others) are sent by some instruments with a meaning of their own; they keep the class of their hundred.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from benchkit.scpi.messages import split_compound
from benchkit.scpi.numbers import parse_integer
from benchkit.scpi.status import EventStatus
from benchkit.scpi.strings import parse_string
from benchkit.scpi.syntax import ScpiSyntaxError

__all__ = ["ERRORS", "ErrorClass", "ScpiError", "error_class", "parse_error"]


class ErrorClass(Enum):
    """The class of an error or event; its value is the event status bit that goes with it (0: none)."""

    NO_ERROR = EventStatus(0)
    COMMAND = EventStatus.COMMAND_ERROR
    EXECUTION = EventStatus.EXECUTION_ERROR
    DEVICE = EventStatus.DEVICE_ERROR
    QUERY = EventStatus.QUERY_ERROR
    POWER_ON = EventStatus.POWER_ON
    USER_REQUEST = EventStatus.USER_REQUEST
    REQUEST_CONTROL = EventStatus.REQUEST_CONTROL
    OPERATION_COMPLETE = EventStatus.OPERATION_COMPLETE


_CLASSES = {
    1: ErrorClass.COMMAND,
    2: ErrorClass.EXECUTION,
    3: ErrorClass.DEVICE,
    4: ErrorClass.QUERY,
    5: ErrorClass.POWER_ON,
    6: ErrorClass.USER_REQUEST,
    7: ErrorClass.REQUEST_CONTROL,
    8: ErrorClass.OPERATION_COMPLETE,
}


def error_class(number: int) -> ErrorClass:
    """
    The class of an error number.

    Raises:
        ValueError: Outside of -32768..32767, or a negative number that SCPI-1999 gives no class (-1..-99, below -899).
    """
    if not -32768 <= number <= 32767:
        raise ValueError(f"{number} is not an error number; they run from -32768 to 32767")
    if number == 0:
        return ErrorClass.NO_ERROR
    if number > 0:
        # Positive numbers belong to the device and count as device-specific errors.
        return ErrorClass.DEVICE
    try:
        return _CLASSES[-number // 100]
    except KeyError:
        raise ValueError(f"error number {number} has no class in SCPI-1999") from None


@dataclass(frozen=True)
class ScpiError:
    """One item of the queue. `text` is the description with the device's own information behind a semicolon, if any."""

    number: int
    text: str

    @property
    def is_error(self) -> bool:
        """False for the answer of an empty queue."""
        return self.number != 0

    @property
    def description(self) -> str:
        return self.text.partition(";")[0]

    @property
    def device_info(self) -> str:
        """What the device says besides: behind the first semicolon; empty without."""
        return self.text.partition(";")[2]

    def __str__(self) -> str:
        return f'{self.number},"{self.text}"'


def parse_error(reply: str) -> ScpiError:
    """
    Read the answer to SYSTem:ERRor[:NEXT]?: `<number>,"<description>[;<device info>]"`.

    Raises:
        ScpiSyntaxError: Anything else; also a compound answer, of which one item would be lost.
    """
    number_text, comma, text = reply.partition(",")
    if not comma:
        raise ScpiSyntaxError(reply, len(reply), 'a number and a quoted text, such as -113,"Undefined header"')
    if len(split_compound(reply)) != 1:
        raise ScpiSyntaxError(reply, 0, "one item of the error queue")
    number = parse_integer(number_text)
    if not -32768 <= number <= 32767:
        raise ScpiSyntaxError(reply, 0, "an error number from -32768 to 32767")
    return ScpiError(number, parse_string(text))


ERRORS: dict[int, str] = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -105: "GET not allowed",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -115: "Unexpected number of parameters",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -130: "Suffix error",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -140: "Character data error",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -150: "String data error",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -160: "Block data error",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -170: "Expression error",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -180: "Macro error",
    -181: "Invalid outside macro definition",
    -183: "Invalid inside macro definition",
    -184: "Macro parameter error",
    -200: "Execution error",
    -201: "Invalid while in local",
    -202: "Settings lost due to rtl",
    -203: "Command protected",
    -210: "Trigger error",
    -211: "Trigger ignored",
    -212: "Arm ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -215: "Arm deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -225: "Out of memory",
    -226: "Lists not same length",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -232: "Invalid format",
    -233: "Invalid version",
    -240: "Hardware error",
    -241: "Hardware missing",
    -250: "Mass storage error",
    -251: "Missing mass storage",
    -252: "Missing media",
    -253: "Corrupt media",
    -254: "Media full",
    -255: "Directory full",
    -256: "File name not found",
    -257: "File name error",
    -258: "Media protected",
    -260: "Expression error",
    -261: "Math error in expression",
    -270: "Macro error",
    -271: "Macro syntax error",
    -272: "Macro execution error",
    -273: "Illegal macro label",
    -274: "Macro parameter error",
    -275: "Macro definition too long",
    -276: "Macro recursion error",
    -277: "Macro redefinition not allowed",
    -278: "Macro header not found",
    -280: "Program error",
    -281: "Cannot create program",
    -282: "Illegal program name",
    -283: "Illegal variable name",
    -284: "Program currently running",
    -285: "Program syntax error",
    -286: "Program runtime error",
    -290: "Memory use error",
    -291: "Out of memory",
    -292: "Referenced name does not exist",
    -293: "Referenced name already exists",
    -294: "Incompatible type",
    -300: "Device-specific error",
    -310: "System error",
    -311: "Memory error",
    -312: "PUD memory lost",
    -313: "Calibration memory lost",
    -314: "Save/recall memory lost",
    -315: "Configuration memory lost",
    -320: "Storage fault",
    -321: "Out of memory",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -360: "Communication error",
    -361: "Parity error in program message",
    -362: "Framing error in program message",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
    -500: "Power on",
    -600: "User request",
    -700: "Request control",
    -800: "Operation complete",
}
"""Every number of SCPI-1999 Vol 2, 21.8, with its name."""
