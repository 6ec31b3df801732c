"""
Against IEEE Std 488.2-1992: blocks, numbers, status bits, *IDN?.

Published values: the two block headers from makers' programming manuals (seen); the bits of *ESR? and *STB? from a
maker's manual and SCPI-1999 Vol 2, 21.8 (seen). Clause numbers of the standard are from memory.
"""

import pytest

from benchkit.scpi import (
    EventStatus,
    ScpiSyntaxError,
    StatusByte,
    block_digits,
    block_length,
    block_numbers,
    format_block,
    parse_block,
    parse_identity,
    parse_integer,
    parse_number,
)


@pytest.mark.parametrize(
    ("header", "bytes_of_data", "numbers", "dtype"), [(b"#42204", 2204, 551, "f4"), (b"#512320", 12320, 1540, "f8")]
)
def test_published_block_headers(header, bytes_of_data, numbers, dtype):
    """Source: makers' manuals: "#42204" announces 2204 bytes, "#512320" 12320 bytes = 1540 doubles."""
    message = header + b"\x0a" * bytes_of_data + b"\n"

    assert block_length(header[2 : 2 + block_digits(header)]) == bytes_of_data
    data = parse_block(message)
    assert len(data) == bytes_of_data
    assert block_numbers(data, dtype).size == numbers
    assert format_block(data) + b"\n" == message


def test_a_block_of_unstated_length_ends_with_the_newline():
    """Source: 8.7.10: #0, the bytes, NL with END. What is inside may hold newlines."""
    assert parse_block(b"#0ab\ncd\n") == b"ab\ncd"
    with pytest.raises(ScpiSyntaxError):
        parse_block(b"#0abcd")


def test_doubles_travel_most_significant_byte_first():
    """Source: SCPI-1999 Vol 2, FORMat:BORDer NORMal; 1.0 in IEEE 754 double precision is 3F F0 and six zeros."""
    assert block_numbers(bytes.fromhex("3ff0000000000000"), "f8")[0] == 1.0


@pytest.mark.parametrize(
    ("reply", "value"),
    [
        ("42", 42.0),  # NR1
        ("+42", 42.0),
        ("-7", -7.0),
        ("12.50", 12.5),  # NR2
        (".5", 0.5),
        ("-0.125", -0.125),
        ("+1.2300E-03", 1.23e-3),  # NR3
        ("5E9", 5e9),
        (" 1.0 ", 1.0),
    ],
)
def test_the_three_forms_of_decimal_numbers(reply, value):
    """Source: 8.7.2 to 8.7.4 (NR1, NR2, NR3)."""
    assert parse_number(reply) == value


@pytest.mark.parametrize(("reply", "value"), [("#H1F", 31), ("#q17", 15), ("#B101", 5), ("+10", 10), ("1.000E+01", 10)])
def test_non_decimal_numbers(reply, value):
    """Source: 8.7.5 to 8.7.7: hexadecimal, octal, binary."""
    assert parse_integer(reply) == value


def test_event_status_bits():
    """Source: a maker's manual and SCPI-1999 Vol 2, 21.8: bits 0 to 7 of *ESR?."""
    names = (
        "OPERATION_COMPLETE",
        "REQUEST_CONTROL",
        "QUERY_ERROR",
        "DEVICE_ERROR",
        "EXECUTION_ERROR",
        "COMMAND_ERROR",
        "USER_REQUEST",
        "POWER_ON",
    )
    assert [EventStatus[name] for name in names] == [1 << bit for bit in range(8)]


def test_status_byte_bits():
    """Source: the same manual: error queue 2, QUEStionable 3, MAV 4, ESB 5, MSS 6, OPERation 7."""
    assert StatusByte.ERROR_QUEUE == 1 << 2
    assert StatusByte.QUESTIONABLE == 1 << 3
    assert StatusByte.MESSAGE_AVAILABLE == 1 << 4
    assert StatusByte.EVENT_STATUS == 1 << 5
    assert StatusByte.MASTER_SUMMARY == 1 << 6
    assert StatusByte.OPERATION == 1 << 7


def test_an_identity_has_four_fields():
    """Source: 10.14: manufacturer, model, serial number, firmware level; "0" where not known."""
    identity = parse_identity("Generic,SG-1,0,1.0")

    assert (identity.maker, identity.model, identity.serial, identity.firmware) == ("Generic", "SG-1", "0", "1.0")
    with pytest.raises(ScpiSyntaxError):
        parse_identity("Generic,SG-1,0")
