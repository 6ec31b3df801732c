"""Headers are matched as printed; joined messages mean what their parts mean."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.scpi import Header, ScpiSyntaxError, has_query, join, quote_string, split_compound


@pytest.mark.parametrize("text", ["FREQ", "freq", "SOUR:FREQ", ":SOURCE:FREQUENCY:CW", "frequency:fix", "  FREQ:CW "])
def test_every_legal_spelling_of_a_header_matches(text):
    assert Header("[:SOURce]:FREQuency[:CW|:FIXed]").match(text) == ()


@pytest.mark.parametrize("text", ["FREQU", "FRE", "SOUR", "FREQ?", "FREQ:CENT", "::FREQ", "", "*RST", "FREQ1"])
def test_other_spellings_do_not(text):
    assert Header("[:SOURce]:FREQuency[:CW|:FIXed]").match(text) is None


def test_suffixes_come_in_order_and_count_as_1_when_left_out():
    header = Header("CALCulate<n>:MARKer<n>:X?")

    assert header.match("CALC:MARK3:X?") == (1, 3)
    assert header.match("CALCULATE2:MARKER:X?") == (2, 1)
    assert header.short(1, 3) == "CALC1:MARK3:X?"
    assert header.long() == "CALCULATE:MARKER:X?"


def test_alternatives_are_matched_and_the_first_is_sent():
    header = Header("[:SENSe]:BANDwidth|BWIDth[:RESolution]")

    assert header.match("BWID:RES") == ()
    assert header.short() == "BAND"
    assert header.long() == "SENSE:BANDWIDTH:RESOLUTION"


def test_a_common_command_is_itself():
    assert Header("*IDN?").match("*idn?") == ()
    assert Header("*IDN?").match("*IDN") is None
    assert Header("*IDN?").short() == "*IDN?"


@pytest.mark.parametrize(
    "printed", ["", "[:SOURce]", "FREQuency CW", "[:A", "freq", "*IDNX?", "ABCDEFGHIJKLM", "FREQ:"]
)
def test_a_printed_form_that_cannot_be_read_is_refused(printed):
    with pytest.raises(ScpiSyntaxError):
        Header(printed)


def test_too_many_suffixes_are_refused():
    with pytest.raises(ValueError, match="no room"):
        Header("OUTPut<n>").short(1, 2)


@given(st.sampled_from(["[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]", "OUTPut<n>[:STATe]?", "*RST"]))
def test_a_header_matches_what_it_writes(printed):
    header = Header(printed)

    assert header.match(header.short()) is not None
    assert header.match(header.long()) is not None
    assert header.match(header.short().lower()) is not None


@pytest.mark.parametrize("units", [(), ("",), ("VOLT 1", " "), ("VOLT 1\nCURR 1",)])
def test_what_is_no_message_cannot_be_joined(units):
    with pytest.raises(ValueError, match=r"join|unit"):
        join(*units)


@given(st.lists(st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=126)), min_size=1))
def test_semicolons_and_quotes_inside_strings_do_not_split(texts):
    """`0,"No error;slot 2"` is one item of an error queue."""
    quoted = [quote_string(text) for text in texts]

    assert split_compound(";".join(quoted)) == quoted


def test_a_string_left_open_is_refused():
    with pytest.raises(ScpiSyntaxError, match="closing"):
        split_compound("1;'abc")


@pytest.mark.parametrize(
    ("message", "asks"),
    [("VOLT?", True), ("VOLT 1", False), ("DISP:TEXT 'why?'", False), ('DISP:TEXT "?";*OPC?', True), ("*RST", False)],
)
def test_a_question_mark_in_a_string_asks_nothing(message, asks):
    assert has_query(message) is asks
