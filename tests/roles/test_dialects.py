"""A dialect is data: it respells, and can do nothing else. What is wrong in it is told at once, all of it."""

from __future__ import annotations

import pytest

from benchkit.errors import FileError
from benchkit.roles.channels import parse_channel_list
from benchkit.scpi import has_query
from drivers.scpi_analyser import ScpiAnalyser
from drivers.scpi_chamber import ScpiChamber
from drivers.scpi_network_analyser import ScpiNetworkAnalyser
from drivers.scpi_power_meter import ScpiPowerMeter
from drivers.scpi_source import ScpiSource
from drivers.scpi_supply import ScpiSupply
from drivers.scpi_switch import ScpiSwitch
from drivers.scpi_voltmeter import ScpiVoltmeter
from tests.drivers import desk

DRIVERS = [
    ScpiAnalyser, ScpiChamber, ScpiNetworkAnalyser, ScpiPowerMeter, ScpiSource, ScpiSupply, ScpiSwitch, ScpiVoltmeter,
]  # fmt: skip


def problem(name: str, text: str) -> str:
    with pytest.raises(FileError) as caught:
        desk.source(dialect={name: text})
    (mistake,) = caught.value.mistakes
    assert mistake.key == f"instruments.rf_source.dialect.{name}"
    return mistake.message


def test_a_command_is_sent_as_the_bench_file_spells_it():
    source, link = desk.source(dialect={"level": ":POWER:LEVEL {level_dbm:.2f}", "output_on": "RFON"})

    source.set_level(-16.789)
    source.output_on()

    assert link.sent == [":POWER:LEVEL -16.79", "RFON"]


def test_a_supply_whose_outputs_are_selected_first_is_the_same_driver():
    dialect = {
        "voltage": ":INST:NSEL {channel};:VOLT {voltage_v:.4f}",
        "measure": ":INST:NSEL {channel};:MEAS:VOLT?;:MEAS:CURR?",
    }
    question = ":INST:NSEL 1;:MEAS:VOLT?;:MEAS:CURR?;:INST:NSEL 2;:MEAS:VOLT?;:MEAS:CURR?"
    supply, link = desk.supply(dialect=dialect, **{question: "-0.75;0.000001;6.0;0.22"})

    supply.set_voltage(1, -2.5)
    supply.arm((1, 2))

    assert link.sent == [":INST:NSEL 1;:VOLT -2.5000", question]
    assert supply.collect() == {1: (-0.75, 1e-6), 2: (6.0, 0.22)}


def test_an_unknown_entry_is_refused_with_what_was_probably_meant():
    text = problem("levle", ":POW {level_dbm}")

    assert "did you mean level?" in text
    assert "output_off" in text


@pytest.mark.parametrize(
    "template",
    [
        ":POW {level_dbm.real}",
        ":POW {level_dbm.__class__.__mro__}",
        ":POW {level_dbm[0]}",
        ":POW {level_dbm!r}",
        ":POW {level_dbm:{level_dbm}}",
        ":POW {level_dbm:>9999}",
        ":POW {0}",
        ":POW {}",
        ":POW {level_dbm",
        ":POW {level_dbm:d}",
        ":POW {level_dbm:x}",
    ],
)
def test_a_template_reaches_nothing_but_the_number_handed_over(template):
    """A file must never run anything, nor make a message that fills the memory."""
    assert problem("level", template)


def test_a_field_the_command_does_not_have_is_refused_with_those_it_has():
    assert problem("level", ":POW {power_w}") == "has no field {power_w}; it may use {level_dbm}"


def test_a_setting_that_would_never_be_sent_is_refused():
    assert "must use the field {level_dbm}" in problem("level", ":POW 0")


def test_a_command_stays_what_it_was_a_question_or_none():
    """An answer that nobody reads would become the answer to the next question."""
    assert "must not ask" in problem("level", ":POW {level_dbm};:POW?")
    assert "must ask" in problem("ask_output", ":OUTP ON")


def test_a_message_cannot_be_ended_early():
    assert "printable" in problem("output_off", ":OUTP OFF\n:OUTP ON")


def test_only_what_an_instrument_may_lack_can_be_left_out():
    assert "may not be empty" in problem("output_off", "")
    source, link = desk.source(dialect={"unit": "", "reset": ""})

    source.prepare()

    assert ":UNIT:POW DBM" not in link.sent
    assert not any("*RST" in text for text in link.sent)


def test_a_value_that_is_no_number_is_told():
    assert "not a number" in problem("level_limit_resolution_db", "fine")


def test_all_mistakes_are_told_at_once():
    with pytest.raises(FileError) as caught:
        desk.source(dialect={"level": "", "outptu_on": "X", "frequency": ":FREQ {f}"})

    assert len(caught.value.mistakes) == 3


@pytest.mark.parametrize("driver", DRIVERS)
def test_every_driver_could_be_written_as_its_own_dialect(driver):
    """The rules that a bench file must keep are kept by the drivers' own templates."""
    from benchkit.roles.dialect import dialect_mistakes

    commands = {**driver.COMMON_COMMANDS, **driver.COMMANDS}
    empty = driver.MAY_BE_EMPTY | driver.COMMON_MAY_BE_EMPTY

    assert dialect_mistakes(commands, driver.VALUES, commands, may_be_empty=empty) == []
    assert set(commands) >= empty


@pytest.mark.parametrize("driver", DRIVERS)
def test_every_unit_of_a_compound_message_begins_at_the_root(driver):
    """SCPI-1999 Vol 1, 6.2.4: behind a semicolon a unit without a colon continues the path of the one before."""
    for template in driver.COMMANDS.values():
        for unit in template.split(";"):
            assert unit[:1] in (":", "*"), template


def test_a_channel_list_is_read_with_its_ranges():
    """SCPI-1999 Vol 1, 8.3.2 (from memory): a list of numbers and ranges in `(@...)`."""
    assert parse_channel_list("(@101,103:105)") == (101, 103, 104, 105)
    assert parse_channel_list("(@)") == ()
    for wrong in ("101", "(@a)", "(@3:1)", "(@1:99999999)", "(@1,)", ""):
        with pytest.raises(ValueError):
            parse_channel_list(wrong)


def test_questions_are_questions():
    """Entries named ask_ and read ask; the others do not: else an answer would be left lying."""
    for driver in DRIVERS:
        for name, template in driver.COMMANDS.items():
            assert has_query(template) == (name.startswith("ask_") or name in {"read", "measure"}), (driver, name)
