"""Numbers, strings and blocks: what is read is what was meant, and junk is refused with its place."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.scpi import (
    ScpiSyntaxError,
    block_numbers,
    format_block,
    format_number,
    parse_block,
    parse_boolean,
    parse_error,
    parse_identity,
    parse_integer,
    parse_number,
    parse_numbers,
    parse_string,
    quote_string,
)


@given(st.floats(min_value=-9e37, max_value=9e37))
def test_a_number_sent_and_read_back_is_the_same_double(value):
    """A setting that loses digits on the way reads back as another one, and protection would seem not to hold."""
    assert parse_number(format_number(value)) == value


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_nan_and_infinity_are_never_sent_as_a_setting(value):
    with pytest.raises(ValueError, match="finite"):
        format_number(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [(14.125e9, "14125000000"), (-20, "-20"), (0.32, "0.32"), (-0.0, "0"), (1e-7, "1E-07"), (2.5e20, "2.5E+20")],
)
def test_numbers_are_sent_as_plain_decimals(value, text):
    assert format_number(value) == text


@pytest.mark.parametrize(
    ("reply", "position"),
    [
        ("", 0),
        ("  ", 2),
        ("1.0 V", 3),
        ("1,2", 1),
        ("1_000", 1),
        ("0x10", 1),
        ("1e", 1),
        ("--1", 0),
        ("\u0661", 0),
        ("1.0\n2.0", 3),
        ("ERROR", 0),
        ("inf inity", 0),
    ],
)
def test_junk_is_refused_with_its_place(reply, position):
    """float() takes some of these; a reply of the wrong question must not become a reading."""
    with pytest.raises(ScpiSyntaxError) as caught:
        parse_number(reply)

    assert caught.value.position == position


def test_a_number_beyond_infinity_is_refused():
    with pytest.raises(ScpiSyntaxError):
        parse_number("1E38")


def test_the_place_of_a_bad_number_in_a_list_counts_from_the_start_of_the_list():
    with pytest.raises(ScpiSyntaxError) as caught:
        parse_numbers("1.0,2.0,x")

    assert caught.value.position == 8


def test_integers_are_exact_beyond_the_bits_of_a_double():
    assert parse_integer("9007199254740993") == 9007199254740993


@pytest.mark.parametrize("reply", ["1.5", "9.91E37", "", "1 2"])
def test_what_is_not_whole_is_not_an_integer(reply):
    with pytest.raises(ScpiSyntaxError):
        parse_integer(reply)


@pytest.mark.parametrize("reply", ["2", "-1", "TRUE", "", "1.0"])
def test_a_boolean_is_1_or_0(reply):
    """An output that answers 2 has answered another question."""
    with pytest.raises(ScpiSyntaxError):
        parse_boolean(reply)


@given(st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126)))
def test_a_string_sent_and_read_back_is_the_same(text):
    assert parse_string(quote_string(text)) == text


@pytest.mark.parametrize("text", ["a\nb", "°C", "\t"])
def test_a_string_that_would_end_the_message_is_not_sent(text):
    with pytest.raises(ValueError, match="printable ASCII"):
        quote_string(text)


@pytest.mark.parametrize("reply", ["", "abc", '"abc', '"a"b', "'it's'"])
def test_a_string_that_is_not_one_is_refused(reply):
    with pytest.raises(ScpiSyntaxError):
        parse_string(reply)


@given(st.binary(max_size=300))
def test_any_bytes_pass_through_a_block(data):
    """A block holds newlines, quotes and semicolons as they come."""
    assert parse_block(format_block(data)) == data
    assert parse_block(format_block(data) + b"\n") == data


@pytest.mark.parametrize(
    "message", [b"", b"#", b"15hello", b"#x", b"#15hell", b"#15hello!", b"#15hello\n\n", b"#2", b"#2ab", b"#0abc"]
)
def test_a_block_that_is_short_long_or_none_is_refused(message):
    with pytest.raises(ScpiSyntaxError):
        parse_block(message)


def test_block_numbers_come_in_the_computers_order_and_may_be_changed():
    data = np.array([1.5, -2.25], dtype=">f4").tobytes()

    numbers = block_numbers(data, "f4")

    assert numbers.tolist() == [1.5, -2.25]
    assert numbers.dtype.isnative
    numbers[0] = 0.0


def test_swapped_blocks_are_read_when_said_so():
    data = np.array([1.5, -2.25], dtype="<f8").tobytes()

    assert block_numbers(data, "f8", big_endian=False).tolist() == [1.5, -2.25]


def test_a_block_that_is_no_whole_number_of_numbers_is_refused():
    with pytest.raises(ScpiSyntaxError, match="8-byte"):
        block_numbers(b"123456789", "f8")


def test_four_readings_are_not_an_identity():
    """A stale list of readings has three commas too; taken for an identity, everything after it is shifted."""
    with pytest.raises(ScpiSyntaxError):
        parse_identity("1.0,2.0,3.0,4.0")


def test_commas_in_the_firmware_field_stay_there():
    assert parse_identity("Generic, SG-1 ,7,1.0,boot 2").firmware == "1.0,boot 2"


@pytest.mark.parametrize("reply", ["1.0", "-113", '-113,"a";0,"b"', '99999,"x"', "0,No error", ""])
def test_what_is_not_one_item_of_the_error_queue_is_refused(reply):
    with pytest.raises(ScpiSyntaxError):
        parse_error(reply)


def test_an_errors_message_shows_the_reply_and_where_it_breaks():
    with pytest.raises(ScpiSyntaxError, match=r"'1\.0 V' at position 3"):
        parse_number("1.0 V")
