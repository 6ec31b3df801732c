"""
Against SCPI-1999 (Standard Commands for Programmable Instruments, version 1999.0, May 1999).

Error numbers, names and classes: Volume 2, 21.8, as transcribed in public source comments and cross-checked against a
second public list; both copied here by hand for a sample, so that the table in the code is checked and not repeated.
Rules of Volume 1 (clause numbers from the printed table of contents, wording from memory): 6.2.1 mnemonics,
6.2.4 compound headers, 7.2.1 numbers, 7.3 booleans.
"""

import math

import pytest

from benchkit.scpi import (
    ERRORS,
    EventStatus,
    Header,
    OperationStatus,
    QuestionableStatus,
    error_class,
    join,
    parse_boolean,
    parse_error,
    parse_number,
    short_form,
)


@pytest.mark.parametrize(
    ("number", "name"),
    [
        (0, "No error"),
        (-100, "Command error"),
        (-113, "Undefined header"),
        (-131, "Invalid suffix"),
        (-200, "Execution error"),
        (-213, "Init ignored"),
        (-221, "Settings conflict"),
        (-222, "Data out of range"),
        (-230, "Data corrupt or stale"),
        (-350, "Queue overflow"),
        (-363, "Input buffer overrun"),
        (-410, "Query INTERRUPTED"),
        (-420, "Query UNTERMINATED"),
        (-430, "Query DEADLOCKED"),
        (-440, "Query UNTERMINATED after indefinite response"),
    ],
)
def test_error_numbers_have_the_standards_names(number, name):
    """Source: Volume 2, 21.8.9 to 21.8.12."""
    assert ERRORS[number] == name


def test_the_table_is_complete_and_holds_nothing_else():
    """
    Source: Volume 2, 21.8: how many numbers each hundred from -100 to -499 has, counted in the transcription. Numbers
    that makers add (-106, -107, -122) are not the standard's.
    """
    counts = {100: 40, 200: 55, 300: 17, 400: 5}

    for hundred, count in counts.items():
        assert sum(1 for number in ERRORS if -hundred - 99 <= number <= -hundred) == count
    assert not {-106, -107, -122} & set(ERRORS)


@pytest.mark.parametrize(
    ("number", "bit"),
    [
        (-100, 5),
        (-199, 5),
        (-222, 4),
        (-350, 3),
        (-399, 3),
        (301, 3),
        (-410, 2),
        (-500, 7),
        (-600, 6),
        (-700, 1),
        (-800, 0),
    ],
)
def test_each_class_sets_its_bit_of_the_event_status(number, bit):
    """Source: Volume 2, 21.8: -1xx bit 5, -2xx bit 4, -3xx and positive bit 3, -4xx bit 2, -5xx bit 7 to -8xx bit 0."""
    assert error_class(number).value == EventStatus(1 << bit)


@pytest.mark.parametrize("number", [-1, -99, -900, -32769, 32768])
def test_a_number_without_a_class_is_refused(number):
    """Source: Volume 2, 21.8: the range is -32768 to 32767, classes begin at -100. (Upper limit -899: from memory.)"""
    with pytest.raises(ValueError, match="number"):
        error_class(number)


@pytest.mark.parametrize(
    ("reply", "number", "description", "info"),
    [
        ('0,"No error"', 0, "No error", ""),
        ('+0, "No error"', 0, "No error", ""),
        ('-113,"Undefined header;FREQ:CWW"', -113, "Undefined header", "FREQ:CWW"),
        ('42,""', 42, "", ""),
    ],
)
def test_items_of_the_error_queue_are_read(reply, number, description, info):
    """Source: Volume 2, 21.8.8; the part behind the semicolon from memory."""
    error = parse_error(reply)

    assert (error.number, error.description, error.device_info) == (number, description, info)


@pytest.mark.parametrize(
    ("word", "short"),
    [
        ("FREQuency", "FREQ"),
        ("POWer", "POW"),
        ("VOLTage", "VOLT"),
        ("CURRent", "CURR"),
        ("OUTPut", "OUTP"),
        ("SYSTem", "SYST"),
        ("MEASure", "MEAS"),
        ("SENSe", "SENS"),
        ("SOURce", "SOUR"),
        ("STATe", "STAT"),
        ("LIST", "LIST"),
        ("MODE", "MODE"),
        ("CW", "CW"),
        ("INITiate", "INIT"),
        ("TEMPerature", "TEMP"),
        ("RLEVel", "RLEV"),
        ("SPOint", "SPO"),
    ],
)
def test_the_short_form_rule_gives_the_printed_capitals(word, short):
    """Source: Volume 1, 6.2.1: four letters, three when the fourth is a vowel."""
    assert short_form(word) == short
    assert Header(word).short() == short


def test_a_word_that_breaks_the_rule_keeps_its_printed_short_form():
    """Source: a maker's manual prints `TCouple`; so the capitals count, not the rule."""
    assert Header("TCouple").short() == "TC"


def test_a_header_is_matched_in_short_and_long_form_and_nothing_between():
    """Source: Volume 1, 6.2.1: SYST or SYSTEM, not SYSTE; case does not matter."""
    header = Header("SYSTem:ERRor[:NEXT]?")

    assert header.match("syst:err?") is not None
    assert header.match("SYSTEM:ERROR:NEXT?") is not None
    assert header.match("SYSTE:ERR?") is None


@pytest.mark.parametrize(
    ("reply", "value"), [("9.9E37", math.inf), ("-9.9E37", -math.inf), ("+9.90000000E+37", math.inf)]
)
def test_infinity_is_9_9e37(reply, value):
    """Source: Volume 1, 7.2.1.4."""
    assert parse_number(reply) == value


@pytest.mark.parametrize("reply", ["9.91E37", "+9.91000000E+37", "9.90999985E+37"])
def test_not_a_number_is_9_91e37(reply):
    """Source: Volume 1, 7.2.1.5. The last is 9.91E37 in single precision."""
    assert math.isnan(parse_number(reply))


@pytest.mark.parametrize(("reply", "value"), [("1", True), ("0", False), ("ON", True), ("off", False)])
def test_booleans(reply, value):
    """Source: Volume 1, 7.3: a query answers 1 or 0; ON and OFF are the words for it."""
    assert parse_boolean(reply) is value


def test_units_in_one_message_stand_at_the_root():
    """Source: Volume 1, 6.2.4: without its colon SYST:ERR? behind MEAS:VOLT? would be MEAS:SYST:ERR?, error -113."""
    assert join("MEAS:VOLT?", "SYST:ERR?") == "MEAS:VOLT?;:SYST:ERR?"
    assert join("VOLT 6", "*OPC?") == "VOLT 6;*OPC?"
    assert join(":VOLT 6", ":CURR 1") == ":VOLT 6;:CURR 1"


def test_status_bits():
    """Source: Volume 2, STATus; three makers' manuals agree."""
    assert OperationStatus.MEASURING == 1 << 4
    assert OperationStatus.WAITING_FOR_TRIGGER == 1 << 5
    assert QuestionableStatus.VOLTAGE == 1 << 0
    assert QuestionableStatus.CURRENT == 1 << 1
    assert QuestionableStatus.POWER == 1 << 3
    assert QuestionableStatus.TEMPERATURE == 1 << 4
    assert QuestionableStatus.CALIBRATION == 1 << 8
