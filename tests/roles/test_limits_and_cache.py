"""What is asked for is held against the bench file, and sent once."""

from __future__ import annotations

import math

import pytest

from benchkit.errors import BrokenLinkError, ErrorQueueError, InstrumentError, LimitError, LinkTimeout, MisuseError
from tests.drivers import desk


def test_a_level_above_the_bench_files_is_refused_naming_file_and_key_and_nothing_is_sent():
    source, link = desk.source()

    with pytest.raises(LimitError) as caught:
        source.set_level(14.5)

    error = caught.value
    assert str(error) == ("level of rf_source: 14.5 dBm is above the limit 14 dBm (bench file: instruments.rf_source.level_max)")
    assert (error.value, error.limit, error.unit) == (14.5, 14.0, "dBm")
    assert link.sent == []


def test_not_a_number_is_inside_no_limit():
    """NaN compares false with everything: a check written the wrong way round would let it pass."""
    source, link = desk.source()

    for set_value in (source.set_level, source.set_frequency, source.set_level_limit):
        with pytest.raises(LimitError, match="not a number"):
            set_value(math.nan)

    assert link.sent == []


def test_a_level_above_the_level_limit_set_is_refused_not_left_to_the_instrument_to_clamp():
    """An instrument that clamps says nothing: the point would stand in the record at a level it never had."""
    source, _ = desk.source()
    source.set_level_limit(3.0)

    with pytest.raises(LimitError, match=r"4 dBm is above the limit 3 dBm \(level limit of rf_source, set before\)"):
        source.set_level(4.0)


def test_a_setting_is_sent_exactly_and_once():
    source, link = desk.source()

    source.set_frequency(14.125e9)
    source.set_level(-16.8)
    source.set_level(-16.8)
    source.set_frequency(14.125e9)
    source.set_level(-20.0 + 3.2)  # -16.8 but for binary dust
    assert link.sent == [":FREQ 14125000000", ":POW -16.8 DBM"]


@pytest.mark.parametrize("level", [-16.8, -0.0, 1e-7, 13.999999999999])
def test_no_digit_that_means_something_is_lost_on_the_way(level):
    source, link = desk.source()

    source.set_level(level)

    assert float(link.sent[-1].removeprefix(":POW ").removesuffix(" DBM")) == pytest.approx(level, rel=1e-14, abs=0)


def test_every_changed_setting_is_told_to_the_listener():
    source, _ = desk.source()
    told = []
    source.listener = lambda *what: told.append(what)

    source.set_level(-20.0)
    source.set_level(-20.0)
    source.output_on()

    assert told == [("rf_source", "level_dbm", -20.0), ("rf_source", "output", "on")]


def test_after_the_wire_failed_every_setting_is_sent_again():
    """The link drops a failed connection; what the instrument was told before may be lost with it."""
    source, link = desk.source()
    source.set_frequency(14e9)
    source.set_level(-20.0)
    link.replies[":POW -19 DBM"] = BrokenLinkError("rf_source", "reset by peer")

    with pytest.raises(BrokenLinkError):
        source.set_level(-19.0)

    assert math.isnan(source.level_setpoint_dbm)
    link.sent.clear()
    source.set_frequency(14e9)
    assert link.sent == [":FREQ 14000000000"]


def test_after_an_instrument_reported_an_error_every_setting_is_sent_again():
    """A setting that was refused is not set, whatever is remembered."""
    source, link = desk.source()
    source.set_level(-20.0)
    link.replies[":SYST:ERR?"] = ['-222,"Data out of range"', '0,"No error"']

    with pytest.raises(ErrorQueueError, match='rf_source: reports -222,"Data out of range"'):
        source.check_errors()

    source.set_level(-20.0)
    assert link.sent.count(":POW -20 DBM") == 2


def test_an_error_queue_that_never_ends_is_told_and_not_read_for_ever():
    source, _ = desk.source(**{":SYST:ERR?": '-310,"System error"'})

    with pytest.raises(ErrorQueueError, match="does not end"):
        source.read_errors()


def test_a_supplys_limits_name_output_and_key():
    supply, link = desk.supply()

    with pytest.raises(LimitError, match=r"0.1 V is above .* \(bench file: instruments.supply.channels.1.voltage_max\)"):
        supply.set_voltage(1, 0.1)
    with pytest.raises(LimitError, match=r"-6 V is below .*channels.1.voltage_min"):
        supply.set_voltage(1, -6.0)
    with pytest.raises(LimitError, match=r"0.2 A is above .*channels.1.current_max"):
        supply.set_current_limit(1, 0.2)
    with pytest.raises(MisuseError, match=r"no output 3; bench file: instruments.supply.channels has 1, 2"):
        supply.set_voltage(3, 1.0)

    assert link.sent == []


def test_a_voltage_beyond_the_over_voltage_protection_is_refused():
    """A supply would answer with an error at best, and with a trip at worst."""
    supply, _ = desk.supply()
    supply.set_over_voltage(2, 8.0)

    with pytest.raises(LimitError, match="9 V is above the limit 8 V"):
        supply.set_voltage(2, 9.0)


def test_options_of_an_instrument_without_them_are_empty_and_the_error_it_left_is_taken_away():
    """*OPT? is optional (IEEE 488.2); silence and -113 is how an instrument says that it has none."""
    source, link = desk.source()
    del link.replies["*OPT?"]
    link.replies[":SYST:ERR?"] = ['-113,"Undefined header"', '0,"No error"', '0,"No error"']

    assert source.options() == ""
    assert source.read_errors() == []


def test_silence_without_an_error_is_not_taken_for_no_options():
    source, link = desk.source()
    del link.replies["*OPT?"]

    with pytest.raises(LinkTimeout):
        source.options()


@pytest.mark.parametrize(
    ("reply", "says"),
    [("-3.00;1", "level reads back as -3 dBm after -16.8 dBm"), ("-16.80;0", "RF reads off after it was switched on")],
)
def test_a_source_that_does_not_do_what_it_is_told_is_found_before_anything_is_read(reply, says):
    """Its levels would all stand in the record as if they had been there; ten decibels more, and the part is gone."""
    source, _ = desk.source(**{":POW?;:OUTP?": reply})
    source.set_level(-16.8)
    source.output_on()

    with pytest.raises(InstrumentError, match=says):
        source.confirm()


def test_a_source_on_another_frequency_than_it_was_told_is_found():
    """The corrections are those of the frequency asked for: every number after it would be wrong, and look right."""
    source, _ = desk.source(**{":FREQ?": "14000000000"})
    source.set_frequency(14.125e9)
    source.set_level(-16.8)

    with pytest.raises(InstrumentError, match="frequency reads back as 14000000000 Hz after 14125000000 Hz was set"):
        source.confirm()
