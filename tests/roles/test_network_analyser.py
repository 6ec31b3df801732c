"""A network analyser's readings are raw, complete, in the format that was asked; what is not is refused, not guessed."""

from __future__ import annotations

import struct

import pytest

from benchkit.errors import InstrumentError, MisuseError, ReplyError
from tests.drivers import desk
from tests.drivers.desk import b_block

FIRST = ":INIT:IMM;*WAI;:CALC1:DATA? SDAT"


def ready(dialect: dict[str, str] | None = None, **replies):
    analyser, link = desk.network_analyser(dialect, **replies)
    analyser.prepare()
    analyser.set_sweep(14e9, 14.002e9, 3)
    analyser.set_level(-20.0)
    analyser.set_if_bandwidth(1e3)
    analyser.set_averages(1)
    analyser.output_on()
    return analyser, link


def test_each_parameter_stands_in_its_place():
    """[k, i, j]: out of port i + 1, into port j + 1. S12 taken for S21 would be an amplifier the other way round."""
    analyser, link = ready()
    analyser.arm()

    raw = analyser.collect()

    assert raw[1].tolist() == [[0.1, -0.001], [2j, 0.2j]]
    assert [message for message in link.sent if "PAR:DEF" in message] == [
        ':CALC1:PAR:DEF "S11"', ':CALC2:PAR:DEF "S21"', ':CALC3:PAR:DEF "S12"', ':CALC4:PAR:DEF "S22"',
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("told", "encode"),
    [
        ("REAL,64;NORM", lambda values: b_block(struct.pack(f">{len(values)}d", *values))),
        ("REAL,64;SWAP", lambda values: b_block(struct.pack(f"<{len(values)}d", *values))),
        ("REAL,32;NORM", lambda values: b_block(struct.pack(f">{len(values)}f", *values))),
        ("ASC,0;NORM", lambda values: ",".join(f"{value:.9E}" for value in values)),
    ],
)
def test_numbers_are_read_in_the_format_the_instrument_says_it_has(told, encode):
    """It may not have taken the format that was asked for; bytes in the wrong order are numbers all the same."""
    values = [0.5, -0.25, 0.125, 9.91e37, 1.0, 2.0]
    replies = {":FORM?;:FORM:BORD?": told, FIRST: encode(values)}
    replies |= {f":CALC{trace}:DATA? SDAT": encode(values) for trace in (2, 3, 4)}
    analyser, _ = ready(**replies)
    analyser.arm()

    raw = analyser.collect()

    assert raw[0, 0, 0] == 0.5 - 0.25j
    assert raw[1, 0, 0] != raw[1, 0, 0]  # 9.91E37 is SCPI's not-a-number
    assert raw[2, 1, 1] == 1 + 2j


@pytest.mark.parametrize("told", ["INT,16;NORM", "REAL,16;NORM", "REAL,64", "REAL,64;MIDDLE", ""])
def test_a_format_that_is_not_understood_is_refused(told):
    analyser, _ = ready(**{":FORM?;:FORM:BORD?": told})

    with pytest.raises(ReplyError, match=r"data format|byte order"):
        analyser.arm()


@pytest.mark.parametrize("count", [5, 7, 0])
def test_a_trace_with_numbers_missing_or_too_many_is_refused(count):
    """Shifted by one, every real part would be an imaginary one."""
    analyser, _ = ready(**{FIRST: b_block(struct.pack(f">{count}d", *range(count)))})
    analyser.arm()

    with pytest.raises(ReplyError, match=rf"{count} numbers instead of 6"):
        analyser.collect()


def test_a_block_that_is_no_whole_number_of_numbers_is_refused():
    analyser, _ = ready(**{FIRST: b_block(b"\0" * 47)})
    analyser.arm()

    with pytest.raises(ReplyError, match="47 bytes"):
        analyser.collect()


def test_correction_that_stays_on_is_refused():
    """A reading corrected twice is wrong, and looks well."""
    analyser, _ = desk.network_analyser(**{":CORR?": "1"})

    with pytest.raises(InstrumentError, match="correction reads on"):
        analyser.prepare()


def test_even_frequencies_are_a_sweep_and_others_a_list():
    analyser, link = ready()
    link.sent.clear()
    analyser.set_frequencies([14e9, 14.1e9, 14.2e9])
    analyser.set_frequencies([14e9, 14.1e9, 14.3e9])

    assert link.sent[0].startswith(":FREQ:MODE SWE;:FREQ:STAR 14000000000;:FREQ:STOP 14200000000;:SWE:POIN 3")
    assert ":LIST:FREQ 14000000000,14100000000,14300000000;:FREQ:MODE LIST" in link.sent


def test_frequencies_that_read_back_otherwise_are_refused():
    analyser, link = ready()
    link.replies[":FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?"] = "14e9;14.2e9;201"
    with pytest.raises(InstrumentError, match="reads back 201 points after 3 were set"):
        analyser.set_sweep(14e9, 14.2e9, 3)
    link.replies[":FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?"] = "14e9;14.19e9;3"
    with pytest.raises(InstrumentError, match=r"point 3 reads back as 14190000000 Hz"):
        analyser.set_sweep(14e9, 14.2e9, 3)
    with pytest.raises(MisuseError):
        _ = analyser.frequencies_hz


def test_the_if_bandwidth_it_took_is_the_one_told_and_reckoned_with():
    analyser, _ = ready(**{":BAND?": "1500"})

    assert analyser.if_bandwidth_hz == 1500.0
    assert analyser.sweep_time_s == pytest.approx(3 * 0.001 * 1e3 / 1500)


def test_after_a_power_cycle_everything_is_told_again_but_not_rf():
    """RF comes on when somebody says so, never because a setting was lost."""
    analyser, link = ready()
    analyser.forget_settings()
    link.sent.clear()

    with pytest.raises(MisuseError, match="before output_on"):
        analyser.arm()
    assert any(message.startswith(":FREQ:MODE SWE;:FREQ:STAR") for message in link.sent)
    assert {":POW -20 DBM", ":CORR OFF", ":BAND 1000", ":AVER:COUN 1;:AVER ON"} <= set(link.sent)
    assert ":OUTP ON" not in link.sent

    analyser.output_on()
    analyser.arm()
    assert analyser.collect().shape == (3, 2, 2)


def test_settings_lost_between_arm_and_collect_are_told():
    analyser, _ = ready()
    analyser.arm()
    analyser.forget_settings()

    with pytest.raises(MisuseError, match="forgotten"):
        analyser.collect()


def test_rf_is_off_before_a_reset_and_read_back_off_after():
    """Many come up from a reset with RF on."""
    _, link = ready()

    assert link.sent.index(":OUTP OFF") < link.sent.index("*RST;*OPC?")
    assert ":OUTP?;*IDN?" in link.sent[link.sent.index("*RST;*OPC?") :]


def test_a_long_sweep_is_waited_for():
    analyser, link = ready()
    waited = []
    answer = link.answer_block
    link.answer_block = lambda *, timeout_s: (waited.append(timeout_s), answer(timeout_s=timeout_s))[1]
    analyser.set_averages(10_000)
    analyser.arm()
    analyser.collect()

    assert waited[0] > 3 * 0.001 * 10_000
