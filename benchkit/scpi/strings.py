"""Quoted strings, and the four fields of *IDN?."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.scpi.numbers import parse_number
from benchkit.scpi.syntax import ScpiSyntaxError

__all__ = ["Identity", "parse_identity", "parse_string", "quote_string"]


@dataclass(frozen=True)
class Identity:
    """Who an instrument says it is (IEEE 488.2, *IDN?). `serial` and `firmware` are "0" when it does not know."""

    maker: str
    model: str
    serial: str
    firmware: str

    def __str__(self) -> str:
        return f"{self.maker},{self.model},{self.serial},{self.firmware}"


def parse_identity(reply: str) -> Identity:
    """
    Read the answer to *IDN?: four fields separated by commas; further commas belong to the firmware field.

    Raises:
        ScpiSyntaxError: Fewer fields, no maker or model, or a maker that is a number: the answer to another question
            (four readings in a row would pass for an identity otherwise).
    """
    fields = [field.strip() for field in reply.strip().split(",", 3)]
    if len(fields) != 4:
        raise ScpiSyntaxError(reply, len(reply), f"four fields maker,model,serial,firmware, not {len(fields)}")
    maker, model, serial, firmware = fields
    if not maker or not model:
        raise ScpiSyntaxError(reply, 0, "a maker and a model")
    try:
        parse_number(maker)
    except ScpiSyntaxError:
        return Identity(maker, model, serial, firmware)
    raise ScpiSyntaxError(reply, 0, "a maker's name, not a number")


def parse_string(reply: str) -> str:
    """
    Read string data: in single or double quotes, the quote doubled inside.

    Raises:
        ScpiSyntaxError: Not quoted, not closed, or followed by more.
    """
    text = reply.strip()
    offset = reply.index(text)
    if not text or text[0] not in "\"'":
        raise ScpiSyntaxError(reply, offset, "a quoted string")
    quote = text[0]
    parts = []
    position = 1
    while True:
        end = text.find(quote, position)
        if end < 0:
            raise ScpiSyntaxError(reply, offset + len(text), f"a closing {quote}")
        parts.append(text[position:end])
        if text[end + 1 : end + 2] != quote:
            break
        parts.append(quote)
        position = end + 2
    if end + 1 != len(text):
        raise ScpiSyntaxError(reply, offset + end + 1, "the end of one string")
    return "".join(parts)


def quote_string(text: str) -> str:
    """
    Write string data in double quotes.

    Raises:
        ValueError: Not printable ASCII; a newline would end the message.
    """
    if not (text.isascii() and (text.isprintable() or not text)):
        raise ValueError(f"{text!r} cannot be sent as string data: only printable ASCII can")
    return '"' + text.replace('"', '""') + '"'
