"""prepare(): a known, safe state, and no reset of what may be feeding or holding a part."""

from __future__ import annotations

import pytest

from benchkit.errors import ErrorQueueError, InstrumentError, ReplyError
from tests.drivers import desk


def test_a_source_is_off_before_it_is_reset_and_read_back_off_after():
    source, link = desk.source()

    source.prepare()

    assert link.sent == [
        "*CLS", ":OUTP OFF", "*RST;*OPC?", ":UNIT:POW DBM", ":OUTP OFF", ":OUTP?;*IDN?", ":SYST:ERR?"
    ]  # fmt: skip


@pytest.mark.parametrize("build", [desk.supply, desk.chamber, desk.switch])
def test_what_may_be_feeding_or_holding_a_part_is_never_reset(build):
    instrument, link = build()

    instrument.prepare()
    instrument.make_safe()
    instrument.close()

    assert not any("*RST" in text for text in link.sent)


def test_a_supplys_outputs_are_off_highest_first_read_back_and_at_zero():
    supply, link = desk.supply()

    supply.prepare()

    assert link.sent[:5] == [
        "*CLS", ":OUTP OFF,(@2)", ":OUTP? (@2);*IDN?", ":OUTP OFF,(@1)", ":OUTP? (@1);*IDN?"
    ]  # fmt: skip
    assert ":VOLT 0,(@1)" in link.sent
    assert ":VOLT 0,(@2)" in link.sent


def test_a_supply_that_stays_on_is_not_prepared():
    supply, _ = desk.supply(**{":OUTP? (@2);*IDN?": f"1;{desk.IDENTITY}"})

    with pytest.raises(InstrumentError, match="output 2 reads on"):
        supply.prepare()


def test_a_trip_left_from_before_is_cleared_with_the_output_off():
    supply, link = desk.supply(**{":CURR:PROT:TRIP? (@2)": "1"})

    supply.prepare()

    cleared = link.sent.index(":OUTP:PROT:CLE (@2)")
    assert link.sent[cleared - 1] == ":OUTP OFF,(@2)"


def test_a_chamber_is_neither_started_nor_stopped():
    """It may be holding a part at temperature, put there by somebody."""
    chamber, link = desk.chamber()

    chamber.prepare()

    assert link.sent == ["*CLS", ":UNIT:TEMP?", ":SYST:ERR?"]


def test_a_meter_stops_running_freely_and_its_unit_is_read_back():
    """In free running FETCh? would answer a reading that began before the level was set."""
    meter, link = desk.power_meter()

    meter.prepare()

    assert link.sent == ["*CLS", "*RST;*OPC?", ":INIT:CONT OFF", ":UNIT:POW DBM", ":UNIT:POW?", ":SYST:ERR?"]


def test_a_meter_in_a_unit_nobody_understands_is_refused():
    meter, _ = desk.power_meter(**{":UNIT:POW?": "DBUV"})

    with pytest.raises(ReplyError, match="power unit is 'DBUV'"):
        meter.prepare()


def test_an_instrument_with_an_error_in_its_queue_is_not_prepared():
    voltmeter, _ = desk.voltmeter(**{":SYST:ERR?": ['-330,"Self-test failed"', '0,"No error"']})

    with pytest.raises(ErrorQueueError, match="Self-test failed"):
        voltmeter.prepare()


def test_an_instrument_that_must_hear_something_first_hears_it_first():
    supply, link = desk.supply(dialect={"remote": ":SYST:REM"})

    supply.prepare()

    assert link.sent[0] == ":SYST:REM"
