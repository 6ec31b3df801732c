"""
The device side of SCPI, as every simulated instrument keeps it. Clauses: SCPI-1999 volume 1 chapters 6 and 7, volume 2
sections 20 and 21.8, IEEE 488.2 chapters 6, 7 and 10 to 11; numbers from memory unless a test says otherwise.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim_instruments.scpi import AnyNumber, Channels, Command, Compiler, ErrorQueue, Fault, HeaderTree, Maybe, Number, Text


@pytest.mark.parametrize(
    "header", ["FREQ?", "freq?", ":FREQuency?", "SOUR:FREQ?", ":SOURCE:FREQUENCY:CW?", "FREQ:FIX?", "sour:frequency:fixed?"]
)
def test_short_and_long_forms_optional_nodes_and_case_are_one_header(make, header):
    """A driver may spell a header as its author likes (SCPI volume 1, 6.2.1 and 5.1)."""
    source = make("source")
    source.write("FREQ 14.125 GHZ")

    assert source.number(header) == 14.125e9
    assert source.errors() == []


@pytest.mark.parametrize("header", ["FREQU?", "FRE?", "SOURC:FREQ?", "FREQUENCYS?", "FREQ:CW:CW?", "SOUR?", "FREQ:MOD?", "*IDL?"])
def test_nothing_between_the_short_and_the_long_form_is_understood(make, header):
    """Accepting what a real instrument refuses would hide a driver's mistake: -113, Undefined header."""
    source = make("source")

    source.write(header)

    assert source.errors() == [-113]


def test_the_header_path_is_carried_on_within_a_message_and_a_colon_starts_anew(make):
    """SCPI volume 1, 6.2.4: after FREQ:CENT the next header is looked for beside CENTer."""
    analyser = make("analyser")

    analyser.write("FREQ:CENT 14 GHZ;SPAN 1 MHZ;:BAND:RES 10 KHZ;VID 1 KHZ")

    assert analyser.errors() == []
    assert analyser.ask("FREQ:CENT?;SPAN?;:BAND?") == "+1.40000000000E+10;+1.00000000000E+06;+1.00000000000E+04"
    analyser.write("FREQ:CENT 13 GHZ;BAND 30 KHZ;:FREQ:SPAN 5 MHZ")
    assert analyser.errors() == [-113], "BANDwidth is not beside CENTer"
    assert analyser.ask("FREQ:CENT?;SPAN?") == "+1.30000000000E+10;+1.00000000000E+06", "units before it count, after it not"


def test_common_commands_leave_the_header_path_as_it_is(make):
    """SCPI volume 1, 6.2.4."""
    analyser = make("analyser")

    analyser.write("FREQ:CENT 14 GHZ;*CLS;SPAN 2 MHZ")

    assert analyser.errors() == []
    assert analyser.number("FREQ:SPAN?") == 2e6


@pytest.mark.parametrize(
    ("text", "hertz"),
    [
        ("14.125GHZ", 14.125e9), ("14125 MHz", 14.125e9), ("14.125E9", 14.125e9), ("14.125 e+9 hz", 14.125e9),
        ("14.125 maKHZ", None), ("14125 MAHZ", 14.125e9), ("#H5F5E100", 100e6), ("MAX", 20e9), ("minimum", 10e6),
        ("+.5E10", 5e9), ("1.4125 e10", 14.125e9),
    ],
)  # fmt: skip
def test_numbers_take_multipliers_and_units(make, text, hertz):
    """IEEE 488.2, 7.7: MHZ is mega although M is milli; anything else than a known suffix is -131."""
    source = make("source")

    source.write(f"FREQ {text}")

    if hertz is None:
        assert source.errors() == [-131]
    else:
        assert source.errors() == []
        assert source.number("FREQ?") == pytest.approx(hertz, rel=1e-12)


@pytest.mark.parametrize(
    ("role", "message", "number"),
    [
        ("source", "FREQ", -109), ("source", "FREQ 1E9,2", -108), ("source", "OUTP ON,(@1)", -108),
        ("source", "FREQ 1E9 V", -131), ("source", "OUTP 1 V", -138), ("source", "FREQ 30 GHZ", -222),
        ("source", "FREQ ABC", -141), ("source", 'FREQ "1E9"', -158), ("source", "FREQ (@1)", -178),
        ("source", "FREQ #13abc", -168), ("source", "FREQ 1..2", -121), ("source", "FREQ 1_000", -121),
        ("source", "FREQ 1E99999", -123), ("source", "POW -1;;POW -2", -102), ("source", "UNIT:POW VOLT", -224),
        ("source", "FREQ-1", -111), ("source", "THISISTOOLONGAWORD 1", -112), ("source", "OUTP \x80", -101),
        ("source", "POW 10 EX", -131), ("source", "FREQ 1E9,,", -109), ("source", "FREQ? 1", -108),
        ("voltmeter", 'FUNC "VOLT', -151), ("voltmeter", 'FUNC "CURR"', -224), ("voltmeter", "FUNC VOLT", -148),
        ("analyser", "CALC:MARK9 ON", -114), ("switch", "ROUT:CLOS (@101", -171), ("switch", "ROUT:CLOS (@999)", -222),
        ("switch", "ROUT:CLOS 101", -128), ("supply", "VOLT 1,(@3)", -222), ("supply", "*ESE 256", -222),
        ("voltmeter", "*TRG", -211), ("voltmeter", "FETC?", -230),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_one_error_of_the_right_number_and_no_answer(make, role, message, number):
    """The error queue is how a driver's mistakes are found (SCPI volume 2, 21.8)."""
    console = make(role)
    console.ask("*ESR?")

    console.write(message)

    assert not console.port.has_reply
    bit = {-1: 0x20, -2: 0x10}[-(-number // 100)]
    assert int(console.ask("*ESR?")) == bit
    assert console.errors() == [number]


def test_a_command_error_ends_the_message_and_an_execution_error_does_not(make):
    """IEEE 488.2, 6.1.7 and 11.5.1: after a parser's error the rest of the message is thrown away."""
    source = make("source")

    source.write("POW -20;FREQ 99 GHZ;:POW -10")
    assert source.number("POW?") == -10.0
    source.write("POW -20;NOPE 1;:POW -5")
    assert source.number("POW?") == -20.0
    assert source.errors() == [-222, -113]


def test_out_of_range_changes_nothing(make):
    """A refused value is not clamped: the instrument stays where it was."""
    source = make("source")
    source.write("FREQ 14 GHZ")

    source.write("FREQ 30 GHZ")

    assert source.number("FREQ?") == 14e9


def test_several_queries_in_one_message_are_one_response(make):
    """IEEE 488.2, 8.4: units separated by semicolons, one newline at the end; units without a query add nothing."""
    source = make("source")

    assert source.ask("FREQ 14 GHZ;FREQ?;POW -12.5;POW?;:OUTP?") == "+1.40000000000E+10;-1.25000000000E+01;0"
    assert not source.port.has_reply


def test_nothing_follows_an_arbitrary_response_in_one_message(make):
    """IEEE 488.2, 10.14.3: *IDN? is the last query of its message; a later one is -440."""
    source = make("source")

    assert source.ask("FREQ?;*IDN?").startswith("+1.00")
    assert source.ask("*IDN?;FREQ?").split(",")[0] == "Generic SCPI"
    assert source.errors() == [-440]


def test_identity_has_four_fields_and_a_serial_number_of_its_own(make):
    """IEEE 488.2, 10.14: maker, model, serial number, firmware."""
    one, other = make("source"), make("source", name="other")

    maker, model, serial, firmware = one.ask("*IDN?").split(",")
    assert (maker, model, firmware) == ("Generic SCPI", "RF source", "1.0")
    assert serial.startswith("SIM-")
    assert serial != other.ask("*IDN?").split(",")[2]


def test_a_full_error_queue_keeps_the_oldest_and_marks_the_loss(make):
    """SCPI volume 2, 21.8.1: the last item becomes -350, what came before stays."""
    source = make("source")
    for _ in range(30):
        source.write("NOPE")
    source.write("FREQ 99 GHZ")

    assert int(source.ask("SYST:ERR:COUN?")) == 20
    codes = source.errors()
    assert codes == [-113] * 19 + [-350]
    assert source.ask("SYST:ERR?") == '0,"No error"'


def test_errors_say_what_they_are_about(make):
    """A driver's author wants to see which header was not known."""
    source = make("source")
    source.write("FRQ 1")
    source.write("FREQ 99 GHZ")

    assert source.ask("SYST:ERR?") == '-113,"Undefined header;FRQ"'
    assert source.ask("SYST:ERR:NEXT?").startswith('-222,"Data out of range;9.9e+10 is not in')


def test_clear_status_clears_events_and_errors_and_leaves_enables(make):
    """IEEE 488.2, 10.3."""
    source = make("source")
    source.write("*ESE 60;*SRE 48;STAT:OPER:ENAB 2")
    source.write("NOPE")

    source.write("*CLS")

    assert source.ask("*ESR?;*ESE?;*SRE?;:STAT:OPER:ENAB?;:SYST:ERR:COUN?") == "0;60;48;2;0"


def test_the_status_byte_sums_up_what_is_enabled(make):
    """IEEE 488.2, 11.2: error queue in bit 2, ESB in bit 5, master summary in bit 6; *STB? clears nothing."""
    source = make("source")
    source.write("*CLS;*ESE 32;*SRE 32")
    assert source.ask("*STB?") == "0"

    source.write("NOPE")

    assert int(source.ask("*STB?")) == 0x04 | 0x20 | 0x40
    assert int(source.ask("*STB?")) == 0x04 | 0x20 | 0x40
    source.ask("*ESR?")
    assert int(source.ask("*STB?")) == 0x04
    assert source.instrument.read_status_byte(source.t, source.port) == 0x04


def test_operation_register_shows_settling_and_latches_it(make):
    """SCPI volume 2, 20.3: bit 1 SETTling; the condition comes and goes, the event stays until it is read."""
    source = make("source")
    source.t = 1.0
    source.write("*CLS;STAT:OPER:NTR 2;PTR 0")
    source.write("POW -20")
    assert int(source.ask("STAT:OPER:COND?")) == 2
    assert int(source.ask("STAT:OPER?")) == 0, "it has not settled yet"

    source.t += 0.006

    assert source.ask("STAT:OPER:COND?;EVEN?;EVEN?") == "0;2;0"


def test_opc_query_answers_when_settled_and_opc_sets_its_bit_then(make):
    """IEEE 488.2, 10.18 and 10.19: a source has settled when *OPC? answers."""
    source = make("source")
    source.t = 1.0
    source.ask("*ESR?")
    source.write("POW -20;*OPC")
    assert int(source.ask("*ESR?")) == 0

    assert source.ask("*OPC?") == "1"

    assert source.t == pytest.approx(1.005, abs=1e-12)
    assert int(source.ask("*ESR?")) == 1


def test_wait_holds_back_what_its_own_connection_sends_and_nobody_else(make, world):
    """
    *WAI (IEEE 488.2, 10.39) delays everything behind it, in its message and in later ones of the same connection; another
    connection can still switch RF off.
    """
    source = make("source")
    other = source.instrument.open_port()
    source.t = 1.0
    source.write("POW -20;*WAI;:OUTP ON;:POW?")
    source.write("POW -30")
    assert world.source["on"] is False
    assert world.source["level_dbm"] == pytest.approx(-20, abs=0.4)

    other.write(b"POW -40\n", source.t)
    assert world.source["level_dbm"] == pytest.approx(-40, abs=0.4)

    assert source.ask("OUTP?;POW?") == "-4.00000000000E+01", "answers come in the order of the questions"
    assert source.t == pytest.approx(1.005)
    assert source.read() == "1;-3.00000000000E+01"
    assert source.errors() == []


def test_a_question_that_waits_does_not_hold_back_later_messages(make, world):
    """RF off is executed at once although *OPC? or FETCh? of an earlier message waits; its answer still comes first."""
    source = make("source")
    source.t = 1.0
    source.write("OUTP ON;*OPC?;POW?")
    source.write("OUTP OFF")
    assert world.source["on"] is False

    assert source.ask("OUTP?").startswith("1;-5.0")
    assert source.read() == "0"


def test_waiting_without_an_answer_to_come_is_not_an_unread_answer(make):
    """INTERRUPTED (-410) is about answers: a message held back by *WAI has none yet."""
    analyser = make("analyser", is_stream=False)
    analyser.write("INIT;*WAI")
    analyser.write("FREQ:CENT 14 GHZ")

    assert analyser.ask("FREQ:CENT?") == "+1.40000000000E+10"
    assert analyser.t == pytest.approx(0.1)
    assert analyser.errors() == []


def test_a_new_message_interrupts_an_unread_answer_where_there_is_a_message_exchange(make):
    """IEEE 488.2, 6.3.2.3: the old answer is dropped, -410; on a raw socket answers queue up instead."""
    bus, stream = make("source", is_stream=False), make("source")
    for console in (bus, stream):
        console.write("FREQ?")
        console.write("POW?")

    assert bus.read() == "-5.00000000000E+01"
    assert bus.errors() == [-410]
    assert stream.read() == "+1.00050000000E+10", "the answer to the question before: the trap of raw sockets"
    assert stream.read() == "-5.00000000000E+01"
    assert stream.errors() == []


def test_reading_with_nothing_asked_is_unterminated(make):
    """IEEE 488.2, 6.3.2.2: -420."""
    bus = make("source", is_stream=False)

    bus.port.read_nothing(bus.t)

    assert bus.errors() == [-420]


def test_device_clear_drops_what_waits_and_keeps_the_settings(make):
    """IEEE 488.2, 5.8: after a device clear nothing old can come, and nothing old happens."""
    source = make("source")
    source.write("POW -20;*WAI;:OUTP ON;:POW?")

    source.instrument.clear(source.t, source.port)
    source.t = 1.0

    assert source.ask("OUTP?;POW?") == "0;-2.00000000000E+01"


def test_reset_leaves_status_enables_and_errors(make):
    """IEEE 488.2, 10.32."""
    source = make("source")
    source.write("*ESE 12;NOPE")
    source.write("*RST")

    assert source.ask("*ESE?") == "12"
    assert source.errors() == [-113]


def test_messages_come_in_any_pieces(make):
    """A byte stream has no message boundaries but the newline."""
    source = make("source")
    for piece in (b"FREQ 14 G", b"HZ\nPOW -1", b"1\r\nFREQ?;P", b"OW?\n\n\n"):
        source.port.write(piece, source.t)

    assert source.read() == "+1.40000000000E+10;-1.10000000000E+01"
    assert source.errors() == []


def test_a_newline_inside_a_block_does_not_end_the_message(make):
    """IEEE 488.2, 7.7.6: the header says how many bytes belong to the block."""
    source = make("source")
    source.port.write(b"FREQ #15a\nb", source.t)
    assert source.instrument.status.errors.next() == '0,"No error"'

    source.port.write(b"\nc\n", source.t)

    assert source.errors() == [-168]


def test_an_endless_message_is_an_overrun_and_not_a_full_memory(make):
    """-363; afterwards the instrument goes on."""
    source = make("source")
    for _ in range(17):
        source.port.write(b"x" * 65536, source.t)
    source.port.write(b"\n", source.t)

    assert -363 in source.errors()
    assert source.ask("*OPC?") == "1"


def test_patterns_that_clash_are_refused_when_the_tree_is_built():
    """Two commands behind one header would be a mistake of the twin's own."""
    with pytest.raises(ValueError, match="share a header"):
        HeaderTree([Command("[:SOURce]:POWer", act=print), Command("POWer[:LEVel]", act=print)])
    with pytest.raises(ValueError, match="not a header pattern"):
        HeaderTree([Command("POWer:[LEVel", act=print)])


TAKES = (Maybe(Number("DBM", -10.0, 10.0, 0.0)), Maybe(Text()), Maybe(Channels(frozenset({1, 2}))), Maybe(AnyNumber()))
# Random bytes alone would never come past the first character of a header.
PIECES = [
    "POW",
    "POWER",
    "*IDN",
    "?",
    ":",
    ";",
    ",",
    " ",
    "#",
    "#H",
    "#15",
    "#²",
    "µ",
    "1",
    "2.5",
    "E3",
    "E99999",
    "HZ",
    '"',
    "'",
    "(@",
    "(",
    ")",
    ":",
]


@given(
    st.binary(max_size=60) | st.lists(st.sampled_from(PIECES), max_size=12).map(lambda parts: "".join(parts).encode("latin-1"))
)
def test_no_message_whatever_makes_the_parser_fail(message):
    """Anything can come over a wire: the outcome is a step or an error of the queue, never an exception of ours."""
    compiler = Compiler(
        HeaderTree([Command("POWer", act=lambda _t, *_values: None, takes=TAKES), Command("*IDN", ask=lambda _t: "x")])
    )

    faults = []
    for function, values, _ in compiler.compile(message.replace(b"\n", b"")):
        try:
            function(0.0, *values)
        except Fault as fault:
            faults.append(fault)

    for fault in faults:
        queue = ErrorQueue()
        queue.add(fault.number, fault.detail)
        assert -499 <= fault.number <= -100
        answer = queue.next()
        assert answer.startswith(f"{fault.number},")
        assert answer.isascii()
        assert answer.isprintable()
