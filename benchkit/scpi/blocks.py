"""
Arbitrary block data.

IEEE 488.2, 8.7.9: "#", one digit n from 1 to 9, n digits of length, then the bytes; any byte, newline too.
With "#0" the length is not given, and newline with END ends the block (8.7.10). Clause numbers from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchkit.scpi.syntax import ScpiSyntaxError

if TYPE_CHECKING:
    from numpy.typing import DTypeLike, NDArray

__all__ = ["block_digits", "block_length", "block_numbers", "format_block", "parse_block"]

_LONGEST = 10**9


def block_digits(head: bytes) -> int:
    """
    Read the first two bytes of a block: how many digits of length follow; 0: the length is not given ("#0").

    Raises:
        ScpiSyntaxError: Not the beginning of a block.
    """
    if head[:1] != b"#":
        raise ScpiSyntaxError(head, 0, "'#', the beginning of block data")
    if not head[1:2].isdigit():
        raise ScpiSyntaxError(head, 1, "a digit, how many digits of length follow")
    return int(head[1:2])


def block_length(digits: bytes) -> int:
    """
    Read the digits of length: how many bytes of data follow.

    Raises:
        ScpiSyntaxError: Something else than digits.
    """
    if not digits.isdigit():
        raise ScpiSyntaxError(digits, 0, "digits of length")
    return int(digits)


def parse_block(message: bytes) -> bytes:
    """
    Read one block; a newline behind it, and only that, may follow.

    Raises:
        ScpiSyntaxError: Not a block, shorter than it says, or followed by more.
    """
    count = block_digits(message[:2])
    if count == 0:
        if not message.endswith(b"\n"):
            raise ScpiSyntaxError(message, len(message), "a newline, which ends a block of unstated length")
        return message[2:-1]
    start = 2 + count
    if len(message) < start:
        raise ScpiSyntaxError(message, len(message), f"{count} digits of length")
    end = start + block_length(message[2:start])
    if len(message) < end:
        raise ScpiSyntaxError(message, len(message), f"{end - start} bytes of data, not {len(message) - start}")
    if message[end:] not in (b"", b"\n", b"\r\n"):
        raise ScpiSyntaxError(message, end, "the end of the block, or one newline behind it")
    return message[start:end]


def format_block(data: bytes) -> bytes:
    """
    Write `data` as a block of definite length, without a newline behind it.

    Raises:
        ValueError: 1e9 bytes or more: the length has no room for them.
    """
    if len(data) >= _LONGEST:
        raise ValueError(f"a block holds at most {_LONGEST - 1} bytes, not {len(data)}")
    length = str(len(data)).encode("ascii")
    return b"#" + str(len(length)).encode("ascii") + length + data


def block_numbers(data: bytes, dtype: DTypeLike, big_endian: bool = True) -> NDArray[Any]:
    """
    Take block data as numbers.

    Args:
        data: What `parse_block` returned.
        dtype: Kind and size of a number, e.g. "f4", "f8", "i2"; its own byte order does not count.
        big_endian: As FORMat:BORDer NORMal, the standard's default, sends them: most significant byte first. SWAPped
            is the other order.

    Returns:
        Writeable array in the computer's byte order, shape (n,).

    Raises:
        ScpiSyntaxError: The length is not a whole number of numbers.
    """
    import numpy as np  # here and not above: commands that only print text must start fast

    kind = np.dtype(dtype).newbyteorder(">" if big_endian else "<")
    if len(data) % kind.itemsize:
        raise ScpiSyntaxError(data, len(data), f"a whole number of {kind.itemsize}-byte numbers, not {len(data)} bytes")
    return np.frombuffer(data, kind).astype(kind.newbyteorder("="))
