"""
SCPI and IEEE 488.2 as functions from text to values and back. No I/O, no clock.

How it stacks: syntax (the one error), numbers, strings, blocks, messages, status, errors, headers.
"""

from benchkit.scpi.blocks import block_digits, block_length, block_numbers, format_block, parse_block
from benchkit.scpi.errors import ERRORS, ErrorClass, ScpiError, error_class, parse_error
from benchkit.scpi.headers import Header, short_form
from benchkit.scpi.messages import has_query, join, split_compound
from benchkit.scpi.numbers import (
    SCPI_INFINITY,
    SCPI_NAN,
    format_number,
    parse_boolean,
    parse_integer,
    parse_number,
    parse_numbers,
)
from benchkit.scpi.status import EventStatus, OperationStatus, QuestionableStatus, StatusByte
from benchkit.scpi.strings import Identity, parse_identity, parse_string, quote_string
from benchkit.scpi.syntax import ScpiSyntaxError

__all__ = [
    "ERRORS",
    "SCPI_INFINITY",
    "SCPI_NAN",
    "ErrorClass",
    "EventStatus",
    "Header",
    "Identity",
    "OperationStatus",
    "QuestionableStatus",
    "ScpiError",
    "ScpiSyntaxError",
    "StatusByte",
    "block_digits",
    "block_length",
    "block_numbers",
    "error_class",
    "format_block",
    "format_number",
    "has_query",
    "join",
    "parse_block",
    "parse_boolean",
    "parse_error",
    "parse_identity",
    "parse_integer",
    "parse_number",
    "parse_numbers",
    "parse_string",
    "quote_string",
    "short_form",
    "split_compound",
]
