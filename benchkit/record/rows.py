"""
A row, given as a mapping, into packed bytes. This is the hot path: a few microseconds for 40 columns.

Text is UTF-8 in a fixed number of bytes, filled up with NUL. Nothing is cut in silence:
- the column called `text` is continued in further rows, the seam marked by an ellipsis on both sides;
- any other column of 32 bytes and more is prose: it is cut visibly, and the whole goes to the events;
- a narrower column is a name (a channel, a status), and a name that doesn't fit is refused: cut names can become equal.
"""

from __future__ import annotations

import difflib
import struct
from collections.abc import Iterator, Mapping

from benchkit.errors import MisuseError
from benchkit.record.layout import StreamSpec

__all__ = ["PROSE_BYTES", "RowPacker", "pieces", "text_bytes"]

PROSE_BYTES = 32
CONTINUED = "text"
ELLIPSIS = "…"
_MARK = ELLIPSIS.encode()

Value = float | int | str


def text_bytes(text: str) -> bytes:
    """UTF-8. NUL, which would end the text, is shown as U+2400; what is no character, as its escape."""
    return text.replace("\0", "␀").encode("utf-8", "backslashreplace")


def head(data: bytes, size: int) -> bytes:
    """At most `size` bytes of `data`, ending between two characters."""
    if len(data) <= size:
        return data
    while size > 0 and data[size] & 0xC0 == 0x80:  # UTF-8 (RFC 3629): 10xxxxxx continues a character
        size -= 1
    return data[:size]


def pieces(data: bytes, size: int) -> Iterator[bytes]:
    """`data` in pieces of at most `size` bytes (16 at least); every seam has an ellipsis before and after it."""
    while len(data) > size:
        part = head(data, size - len(_MARK))
        yield part + _MARK
        data = _MARK + data[len(part) :]
    yield data


class RowPacker:
    """Packs the rows of one stream, in the order of its columns."""

    def __init__(self, spec: StreamSpec) -> None:
        self.spec = spec
        self.size = spec.row_dtype.itemsize
        self._pack = struct.Struct("<" + "".join(_code(column.dtype) for column in spec.columns)).pack
        self._names = frozenset(column.name for column in spec.columns)
        # A reading that was not taken is NaN, a text that was not given is empty; a whole number has no such value.
        self._defaults = [(c.name, {"f": float("nan"), "S": "", "i": None}[c.dtype[0]]) for c in spec.columns]
        self._texts = [(i, int(c.dtype[1:]), c.name) for i, c in enumerate(spec.columns) if c.dtype[0] == "S"]

    def pack(self, row: Mapping[str, Value]) -> tuple[list[bytes], dict[str, str]]:
        """
        Pack `row`.

        Returns:
            One packed row, or more where `text` was continued; and, by column, prose that had to be cut.

        Raises:
            MisuseError: An unknown column, a whole number left out, a value of the wrong type, a name too long.
        """
        if not row.keys() <= self._names:
            self._unknown(row)
        get = row.get
        values: list[object] = [get(name, default) for name, default in self._defaults]
        long: dict[int, bytes] = {}
        cut: dict[str, str] = {}
        for index, width, name in self._texts:
            text = values[index]
            if not isinstance(text, str):
                raise MisuseError(f"{self.spec.name}.{name} is {text!r}; expected a text")
            data = text_bytes(text)
            if len(data) > width:
                if name == CONTINUED and width >= 16:
                    long[index] = data
                elif width >= PROSE_BYTES:
                    cut[name] = text
                    data = head(data, width - len(_MARK)) + _MARK
                else:
                    raise MisuseError(f"{self.spec.name}.{name}: {text!r} has {len(data)} bytes, the column {width}")
            values[index] = data
        try:
            if not long:
                return [self._pack(*values)], cut
            ((index, data),) = long.items()
            width = int(self.spec.columns[index].dtype[1:])
            return [self._pack(*values[:index], piece, *values[index + 1 :]) for piece in pieces(data, width)], cut
        except (struct.error, OverflowError, TypeError) as error:
            raise MisuseError(self._wrong(values, error)) from error

    def _unknown(self, row: Mapping[str, Value]) -> None:
        name = sorted(row.keys() - self._names)[0]
        near = difflib.get_close_matches(name, self._names, 1)
        hint = f"; did you mean {near[0]}?" if near else f"; it has {', '.join(c.name for c in self.spec.columns)}"
        raise MisuseError(f"stream {self.spec.name} has no column {name!r}{hint}")

    def _wrong(self, values: list[object], error: Exception) -> str:
        for column, value in zip(self.spec.columns, values, strict=True):
            try:
                struct.pack("<" + _code(column.dtype), value)
            except (struct.error, OverflowError, TypeError):
                kind = "a number" if column.dtype == "f8" else "a whole number of 64 bits"
                left_out = " (left out)" if value is None else ""
                return f"{self.spec.name}.{column.name} is {value!r}{left_out}; expected {kind}"
        return f"{self.spec.name}: {error}"


def _code(dtype: str) -> str:
    return {"f8": "d", "i8": "q"}.get(dtype, dtype[1:] + "s")
