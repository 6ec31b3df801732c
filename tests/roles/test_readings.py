"""Readings: one message out, one answer in; a reply that is not what was asked for is an error that shows it."""

from __future__ import annotations

import math

import pytest

from benchkit.errors import BrokenLinkError, LimitError, LinkTimeout, MisuseError, ReplyError
from drivers.scpi_chamber import ScpiChamber
from tests.drivers import desk


def test_arming_is_one_message_and_collecting_none():
    meter, link = desk.power_meter()
    meter.prepare()
    link.sent.clear()

    meter.arm()
    assert link.sent == [":INIT:IMM;:FETC?"]
    assert link.is_waiting

    assert meter.collect() == -12.345
    assert link.sent == [":INIT:IMM;:FETC?"]


def test_a_supply_reads_all_its_outputs_in_one_message():
    supply, link = desk.supply()

    supply.arm((2, 1))
    readings = supply.collect()

    assert link.sent == [":MEAS:VOLT? (@2);:MEAS:CURR? (@2);:MEAS:VOLT? (@1);:MEAS:CURR? (@1)"]
    assert readings == {2: (6.001, 0.2215), 1: (-0.7512, -2.1e-6)}


@pytest.mark.parametrize("reply", ["6.001", "6.001;0.2215;1", "6.001,", ""])
def test_an_answer_with_a_number_too_few_or_too_many_is_refused(reply):
    """Were it taken as far as it goes, a current could be read as the next output's voltage."""
    supply, _ = desk.supply(**{":MEAS:VOLT? (@2);:MEAS:CURR? (@2)": reply})
    supply.arm((2,))

    with pytest.raises(ReplyError, match="supply: asked"):
        supply.collect()


def test_a_supply_that_separates_its_numbers_by_commas_is_understood():
    supply, _ = desk.supply(**{":MEAS:VOLT? (@2);:MEAS:CURR? (@2)": "6.001,0.2215"})
    supply.arm((2,))

    assert supply.collect() == {2: (6.001, 0.2215)}


def test_a_reply_that_is_no_number_names_instrument_question_and_reply_shortened():
    meter, _ = desk.power_meter(**{":INIT:IMM;:FETC?": "ERROR " + "x" * 200})
    meter.arm()

    with pytest.raises(ReplyError) as caught:
        meter.collect()

    text = str(caught.value)
    assert caught.value.instrument == "output_meter"
    assert ":INIT:IMM;:FETC?" in text
    assert "'ERROR xxx" in text
    assert "(206 characters)" in text
    assert len(text) < 450


def test_no_value_is_not_a_number():
    """SCPI-1999 Vol 1, 7.2.1.5: 9.91E37 stands for `not a number`; taken for dBm it would be an entry in a table."""
    meter, _ = desk.power_meter(**{":INIT:IMM;:FETC?": "+9.91000000000E+37"})
    meter.arm()

    assert math.isnan(meter.collect())


@pytest.mark.parametrize("reply", ["+2.31E+01", "+9.90000000000E+37"])
def test_more_than_the_sensor_stands_is_a_limit(reply):
    meter, _ = desk.power_meter(**{":INIT:IMM;:FETC?": reply})
    meter.arm()

    with pytest.raises(LimitError, match=r"bench file: instruments\.output_meter\.input_max"):
        meter.collect()


@pytest.mark.parametrize("reply", ["-1.01E+01", "+9.90000000000E+37"])
def test_more_than_a_voltmeter_stands_is_a_limit(reply):
    voltmeter, _ = desk.voltmeter(**{":INIT:IMM;:FETC?": reply})
    voltmeter.set_function("voltage")
    voltmeter.arm()

    with pytest.raises(LimitError, match=r"bench file: instruments\.detector_voltmeter\.voltage_max"):
        voltmeter.collect()


def test_an_open_case_sensor_reads_infinite_and_is_judged_by_who_knows_what_it_is():
    voltmeter, _ = desk.voltmeter(**{":INIT:IMM;:FETC?": "+9.90000000000E+37"})
    voltmeter.set_function("resistance")
    voltmeter.arm()

    assert voltmeter.collect() == math.inf


@pytest.mark.parametrize(("reply", "level_dbm"), [("1.0E-03", 0.0), ("5.0E-01", 26.9897000433602)])
def test_a_meter_that_answers_in_watts_is_read_in_dbm(reply, level_dbm):
    """dBm is 10 log10 of the power over 1 mW (definition): 1 mW is 0 dBm, 500 mW 26.99 dBm."""
    meter, _ = desk.power_meter(dialect={"unit": ""}, **{":UNIT:POW?": "W", ":INIT:IMM;:FETC?": reply})
    meter._input_max_dbm = 40.0
    meter.arm()

    assert meter.collect() == pytest.approx(level_dbm, abs=1e-12)


@pytest.mark.parametrize("reply", ["-2.0E-10", "0", "9.91E37"])
def test_a_power_that_is_none_has_no_level(reply):
    meter, _ = desk.power_meter(**{":UNIT:POW?": "W", ":INIT:IMM;:FETC?": reply})
    meter.arm()

    assert math.isnan(meter.collect())


def test_a_meter_that_cannot_be_asked_for_its_unit_has_it_stated():
    meter, link = desk.power_meter(dialect={"power_unit": "W", "unit": "", "ask_unit": ""})
    link.replies[":INIT:IMM;:FETC?"] = "1.0E-06"

    meter.prepare()
    meter.arm()

    assert meter.collect() == pytest.approx(-30.0)
    assert ":UNIT:POW?" not in link.sent


def test_the_unit_is_asked_again_after_the_wire_failed():
    """The instrument may have been switched off and on, and be back in its default unit."""
    meter, link = desk.power_meter(**{":UNIT:POW?": ["DBM", "W"]})
    meter.arm()
    meter.collect()
    link.replies[":INIT:IMM;:FETC?"] = ["1.0E-03"]
    meter.arm()
    assert meter.collect() == pytest.approx(1e-3)  # still taken for dBm, as asked before
    meter.arm()
    with pytest.raises(LinkTimeout):
        meter.collect()

    link.replies[":INIT:IMM;:FETC?"] = "1.0E-03"
    meter.arm()
    assert meter.collect() == pytest.approx(0.0)


def test_a_reading_that_was_given_up_is_aborted_before_the_next():
    """INITiate during a reading is ignored (-213), and FETCh? would answer that old reading as if it were new."""
    meter, link = desk.power_meter()
    meter.arm()
    meter.abandon()
    link.sent.clear()

    meter.arm()

    assert link.sent[-2:] == [":ABOR", ":INIT:IMM;:FETC?"]
    meter.collect()
    link.sent.clear()
    meter.arm()
    assert link.sent == [":INIT:IMM;:FETC?"]


def test_what_a_meter_was_told_is_told_again_before_the_first_reading_after_the_wire_failed():
    """Switched off and on, it would read with the calibration factor of its default frequency, and say nothing."""
    meter, link = desk.power_meter()
    meter.prepare()
    meter.set_frequency(14.125e9)
    meter.set_averages(4)
    link.replies[":INIT:IMM;:FETC?"] = [BrokenLinkError("output_meter", "reset by peer"), "-20.5"]
    meter.arm()
    with pytest.raises(BrokenLinkError):
        meter.collect()
    link.sent.clear()

    meter.arm()

    assert link.sent == [
        ":INIT:CONT OFF",
        ":UNIT:POW DBM",
        ":FREQ 14125000000",
        ":AVER:COUN 4;:AVER ON",
        ":UNIT:POW?",
        ":ABOR",
        ":INIT:IMM;:FETC?",
    ]
    assert meter.collect() == -20.5


def test_an_analyser_and_a_voltmeter_are_told_again_too():
    analyser, to_analyser = desk.analyser()
    voltmeter, to_voltmeter = desk.voltmeter()
    analyser.set_center(14e9)
    analyser.set_marker(14e9)
    voltmeter.set_function("resistance")
    for instrument, link in ((analyser, to_analyser), (voltmeter, to_voltmeter)):
        instrument.forget_settings()
        link.sent.clear()
        instrument.arm()

    assert ":FREQ:CENT 14000000000" in to_analyser.sent
    assert ":CALC:MARK1:X 14000000000" in to_analyser.sent
    assert ':FUNC "FRES"' in to_voltmeter.sent


def test_an_interrupt_while_waiting_leaves_nothing_that_could_be_read_as_something_else():
    meter, link = desk.power_meter(**{":INIT:IMM;:FETC?": KeyboardInterrupt()})
    meter.arm()
    with pytest.raises(KeyboardInterrupt):
        meter.collect()

    link.replies[":INIT:IMM;:FETC?"] = "-20.5"
    with pytest.raises(MisuseError):
        meter.collect()
    meter.arm()
    assert link.sent[-2:] == [":ABOR", ":INIT:IMM;:FETC?"]
    assert meter.collect() == -20.5


def test_many_averages_are_waited_for():
    meter, link = desk.power_meter()
    waited = []
    answer = link.answer
    link.answer = lambda *, timeout_s: (waited.append(timeout_s), answer(timeout_s=timeout_s))[1]  # type: ignore[method-assign]

    meter.set_averages(1000)
    meter.arm()
    meter.collect()

    assert waited[-1:] == [pytest.approx(5.0 + 1000 * 0.04)]


@pytest.mark.parametrize(
    ("unit", "reply", "setpoint", "limits"),
    [
        ("C", "-40", ":TEMP:SPO 70", ":TEMP:PROT:LOW -50;:TEMP:PROT:HIGH 100"),
        ("F", "-40", ":TEMP:SPO 158", ":TEMP:PROT:LOW -58;:TEMP:PROT:HIGH 212"),
        ("FAR", "-40", ":TEMP:SPO 158", ":TEMP:PROT:LOW -58;:TEMP:PROT:HIGH 212"),
        ("K", "233.15", ":TEMP:SPO 343.15", ":TEMP:PROT:LOW 223.15;:TEMP:PROT:HIGH 373.15"),
    ],
)
def test_a_chamber_in_any_unit_is_told_and_read_in_degrees_celsius(unit, reply, setpoint, limits):
    """
    -40 °C is -40 °F, 100 °C is 212 °F, 0 °C is 273.15 K: exact by definition (NIST SP 811, B.8; from memory).

    Taken for degrees Celsius, a set-point of 158 would be beyond what most parts live through.
    """
    chamber, link = desk.chamber(**{":UNIT:TEMP?": unit, ":MEAS:TEMP?": reply})

    assert chamber.measure_air() == pytest.approx(-40.0, abs=1e-9)
    chamber.set_limits(-50.0, 100.0)
    chamber.set_temperature(70.0)

    assert setpoint in link.sent
    assert limits in link.sent


def test_a_rate_is_in_kelvins_unless_the_dialect_says_otherwise():
    kelvins, link_k = desk.chamber(**{":UNIT:TEMP?": "F"})
    fahrenheit, link_f = desk.chamber(dialect={"ramp_unit": "F"})

    kelvins.set_ramp(2.0)
    fahrenheit.set_ramp(2.0)

    assert ":TEMP:RATE 2" in link_k.sent
    assert ":TEMP:RATE 3.6" in link_f.sent


@pytest.mark.parametrize("reply", ["9.91E37", "9.9E37", "-----"])
def test_a_chamber_that_does_not_know_its_airs_temperature_is_an_error(reply):
    chamber, _ = desk.chamber(**{":MEAS:TEMP?": reply})

    with pytest.raises(ReplyError, match="chamber: asked ':MEAS:TEMP\\?'"):
        chamber.measure_air()


class SuffixChamber(ScpiChamber):
    """What data can't say fits in a driver of three lines: this one puts the unit behind each number, `23.40 CEL`."""

    def _number(self, question: str, reply: str) -> float:
        number, _, unit = reply.partition(" ")
        if unit != "CEL":
            raise self._bad_reply(question, reply, "expected a number and CEL")
        return super()._number(question, number)


def test_a_chamber_that_answers_in_its_own_way_needs_one_hook():
    chamber, _ = desk.chamber(kind=SuffixChamber, **{":MEAS:TEMP?": ["-29.95 CEL", "-21.91 FAR"]})

    assert chamber.measure_air() == -29.95
    with pytest.raises(ReplyError, match="expected a number and CEL"):
        chamber.measure_air()
