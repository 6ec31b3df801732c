"""What a command can go wrong with, and the queue that remembers it (SCPI-1999 volume 2, 21.8)."""

from __future__ import annotations

from collections import deque

from sim_instruments.scpi.formats import quoted

__all__ = ["ERROR_TEXTS", "ErrorQueue", "Fault", "event_bit"]

NO_ERROR = '0,"No error"'
QUEUE_OVERFLOW = -350

ERROR_TEXTS: dict[int, str] = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -105: "GET not allowed",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -203: "Command protected",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -231: "Data questionable",
    -240: "Hardware error",
    -241: "Hardware missing",
    -310: "System error",
    -330: "Self-test failed",
    -340: "Calibration failed",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}
"""Numbers and names of the events these instruments report."""

# Class of an event -> its bit in the standard event status register (21.8.2).
_BIT_OF_CLASS = {1: 0x20, 2: 0x10, 3: 0x08, 4: 0x04, 5: 0x80, 6: 0x40, 7: 0x02, 8: 0x01}


def event_bit(number: int) -> int:
    """The ESR bit that an event sets; a device's own positive numbers count as device errors."""
    return 0x08 if number > 0 else _BIT_OF_CLASS[-number // 100]


class Fault(Exception):
    """
    One event for the error queue, raised while a command is read or executed.

    Args:
        number: Of ERROR_TEXTS, or a device's own positive number.
        detail: What the device has to say besides, e.g. the header it does not know.
    """

    def __init__(self, number: int, detail: str = "") -> None:
        self.number, self.detail = number, detail
        super().__init__(f"{number} {ERROR_TEXTS.get(number, '')} {detail}")

    @property
    def is_command_error(self) -> bool:
        """Command errors end the message they stand in; execution errors do not."""
        return -200 < self.number <= -100


class ErrorQueue:
    """First in, first out. On overflow the last item becomes -350: older ones stay, newer ones are lost."""

    def __init__(self, depth: int = 20) -> None:
        self._depth = depth
        self._items: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._items)

    def add(self, number: int, detail: str = "") -> None:
        if len(self._items) >= self._depth:
            self._items[-1] = (QUEUE_OVERFLOW, ERROR_TEXTS[QUEUE_OVERFLOW])
            return
        text = ERROR_TEXTS.get(number, "")
        # Whatever came in: a response is printable ASCII; description and detail together are at most 255 characters.
        shown = "".join([character if " " <= character <= "~" else "?" for character in detail])
        self._items.append((number, (f"{text};{shown}" if shown else text)[:255]))

    def next(self) -> str:
        """Take the oldest: `<number>,"<text>"`."""
        if not self._items:
            return NO_ERROR
        number, text = self._items.popleft()
        return f"{number},{quoted(text)}"

    def next_code(self) -> str:
        return str(self._items.popleft()[0]) if self._items else "0"

    def all(self) -> str:
        """Take them all."""
        if not self._items:
            return NO_ERROR
        return ",".join([self.next() for _ in range(len(self._items))])

    def all_codes(self) -> str:
        if not self._items:
            return "0"
        return ",".join([self.next_code() for _ in range(len(self._items))])

    def clear(self) -> None:
        self._items.clear()
