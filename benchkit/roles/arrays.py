"""
Arrays of numbers from an instrument: one definite-length block, or text, in a format that is asked and never assumed.

SCPI-1999 Vol 2, 9 (FORMat): `FORMat[:DATA] ASCii|REAL|INTeger,<length>`, `FORMat:BORDer NORMal|SWAPped` (most significant
byte first, or last). A block read in the wrong order or width is numbers all the same, and plausible ones at that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from benchkit.errors import ReplyError
from benchkit.link import Link
from benchkit.roles.reading import ReadingInstrument
from benchkit.roles.settings import InstrumentSettings
from benchkit.scpi import block_numbers, parse_numbers

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["ArrayFormat", "ArrayInstrument"]

_BINARY = {("REAL", 32): "f4", ("REAL", 64): "f8"}
_BORDERS = {"NORM": True, "NORMAL": True, "SWAP": False, "SWAPPED": False}
# SCPI-1999 Vol 1, 7.2.1.4-5: 9.91E37 is not a number, 9.9E37 infinity; in 32 bits neither is exact.
_NAN, _INFINITY, _NEAR = 9.91e37, 9.9e37, 1e-5


@dataclass(frozen=True)
class ArrayFormat:
    """
    Attributes:
        dtype: numpy's name of a number in a block; empty: text.
        big_endian: Most significant byte first.
    """

    dtype: str
    big_endian: bool = True

    @classmethod
    def parse(cls, reply: str) -> ArrayFormat:
        """
        From the answers to FORMat? and FORMat:BORDer?, e.g. `REAL,64;NORM`; text needs no byte order: `ASC,0`.

        Raises:
            ValueError: A format this library does not read, or a block's byte order that is not told.
        """
        kind, _, border = (part.strip().upper() for part in reply.partition(";"))
        name, _, length = (part.strip() for part in kind.partition(","))
        if name in ("ASC", "ASCII"):
            return cls("")
        dtype = _BINARY.get((name, int(length) if length.isdigit() else 0))
        if dtype is None:
            known = ", ".join(f"{word},{bits}" for word, bits in _BINARY)
            raise ValueError(f"data format {kind!r}; expected {known} or ASC")
        if border not in _BORDERS:
            raise ValueError(f"byte order {border!r}; expected NORM or SWAP")
        return cls(dtype, _BORDERS[border])


class ArrayInstrument(ReadingInstrument):
    """An instrument whose readings may be arrays. See Instrument for the arguments."""

    VALUES: ClassVar[dict[str, str]] = {"reply_format": ""}
    """`reply_format`: e.g. "REAL,64;NORM" for an instrument that cannot be asked; empty: ask (`ask_format`)."""

    def __init__(self, name: str, link: Link, settings: InstrumentSettings) -> None:
        super().__init__(name, link, settings)
        self._array_format: ArrayFormat | None = None

    def forget_settings(self) -> None:
        super().forget_settings()
        self._array_format = None

    def _learn_format(self) -> ArrayFormat:
        """Asked once, and again after anything that may have changed it."""
        if self._array_format is None:
            reply = self._values["reply_format"] or self._query("ask_format")
            try:
                self._array_format = ArrayFormat.parse(reply)
            except ValueError as error:
                raise self._bad_reply("ask_format", reply, error) from error
        return self._array_format

    def _collect_array(self, expected: int) -> NDArray[np.float64]:
        """
        The array that was armed. NaN and infinity are what SCPI sends for them.

        Args:
            expected: How many numbers it must have.

        Returns:
            Shape (expected,).

        Raises:
            ReplyError: More or fewer, or not numbers.
        """
        form = self._array_format
        if form is None or not form.dtype:
            question, text = self._collect()
            return self._numbers(question, text, expected)
        question, data = self._collect_block()
        return self._decoded(question, data, form, expected)

    def _query_array(self, command: str, expected: int, **fields: object) -> NDArray[np.float64]:
        """Ask for an array; see `_collect_array`."""
        form = self._learn_format()
        message = self._commands[command](**fields)
        if not form.dtype:
            return self._numbers(message, self._query_message(message), expected)
        return self._decoded(message, self._query_block(message), form, expected)

    def _numbers(self, question: str, reply: str, expected: int) -> NDArray[np.float64]:
        import numpy as np

        try:
            values = np.array(parse_numbers(reply), dtype=np.float64)
        except ValueError as error:
            raise self._bad_reply(question, reply, error) from error
        return self._counted(question, values, expected)

    def _decoded(self, question: str, data: bytes, form: ArrayFormat, expected: int) -> NDArray[np.float64]:
        import numpy as np

        try:
            values = block_numbers(data, form.dtype, form.big_endian).astype(np.float64)
        except ValueError as error:
            raise ReplyError(self.name, f"asked {question!r}, it answered a block of {len(data)} bytes: {error}") from error
        values[np.isclose(values, _NAN, rtol=_NEAR, atol=0.0)] = math.nan
        values[np.isclose(values, _INFINITY, rtol=_NEAR, atol=0.0)] = math.inf
        values[np.isclose(values, -_INFINITY, rtol=_NEAR, atol=0.0)] = -math.inf
        return self._counted(question, values, expected)

    def _counted(self, question: str, values: NDArray[np.float64], expected: int) -> NDArray[np.float64]:
        if len(values) != expected:
            raise ReplyError(self.name, f"asked {question!r}, it answered {len(values)} numbers instead of {expected}")
        return values
