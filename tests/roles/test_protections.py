"""Walls in the instruments: set, read back, and an error when they are not what they should be."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from benchkit.errors import InstrumentError, LimitError, ProtectionError
from benchkit.roles import Instrument
from drivers.scpi_chamber import ScpiChamber
from drivers.scpi_source import ScpiSource
from drivers.scpi_supply import ScpiSupply
from tests.drivers import desk


def changed(settings: SimpleNamespace, **values: object) -> SimpleNamespace:
    return SimpleNamespace(**{**vars(settings), **values})


def test_a_level_limit_that_reads_back_otherwise_is_no_limit():
    source, _ = desk.source(**{":POW:LIM?;:POW:LIM:STAT?": "20;1"})

    with pytest.raises(ProtectionError, match="level limit reads back as 20 dBm instead of 14 dBm"):
        source.set_level_limit(14.0)


def test_a_level_limit_that_is_switched_off_is_no_limit():
    source, _ = desk.source(**{":POW:LIM?;:POW:LIM:STAT?": "14;0"})

    with pytest.raises(ProtectionError, match="switched off"):
        source.set_level_limit(14.0)


def test_a_protection_may_differ_by_the_instruments_resolution_and_no_more():
    near, _ = desk.supply(**{":VOLT:PROT? (@2)": "7.99"})
    far, _ = desk.supply(**{":VOLT:PROT? (@2)": "7.98"})

    near.set_over_voltage(2, 8.0)
    with pytest.raises(ProtectionError, match=r"output 2: over-voltage protection reads back as 7.98 V .* 0.01 V"):
        far.set_over_voltage(2, 8.0)


def test_the_resolution_is_data_that_a_bench_file_may_state():
    coarse, _ = desk.supply(dialect={"over_voltage_resolution_v": "0.1"}, **{":VOLT:PROT? (@2)": "7.9"})

    coarse.set_over_voltage(2, 8.0)


def test_an_over_voltage_switch_of_its_own_is_set_and_read_back_too():
    dialect = {
        "over_voltage": ":VOLT:PROT {voltage_v},(@{channel});:VOLT:PROT:STAT ON,(@{channel})",
        "ask_over_voltage": ":VOLT:PROT? (@{channel});:VOLT:PROT:STAT? (@{channel})",
    }
    question = ":VOLT:PROT? (@2);:VOLT:PROT:STAT? (@2)"
    good, _ = desk.supply(dialect=dialect, **{question: "8.0;1"})
    bad, _ = desk.supply(dialect=dialect, **{question: "8.0;0"})

    good.set_over_voltage(2, 8.0)
    with pytest.raises(ProtectionError, match="switched off"):
        bad.set_over_voltage(2, 8.0)


def test_a_current_limit_and_an_over_current_trip_are_read_back():
    supply, _ = desk.supply(**{":CURR? (@2)": "0.5", ":CURR:PROT:STAT? (@2)": "0"})

    with pytest.raises(ProtectionError, match=r"current limit reads back as 0.5 A instead of 0.4 A"):
        supply.set_current_limit(2, 0.4)
    with pytest.raises(ProtectionError, match="over-current trip reads back as off instead of on"):
        supply.set_over_current(2, True)


def test_a_protection_that_was_not_verified_is_set_again():
    supply, link = desk.supply(**{":CURR? (@2)": ["0.5", "0.4"]})
    with pytest.raises(ProtectionError):
        supply.set_current_limit(2, 0.4)

    supply.set_current_limit(2, 0.4)

    assert link.sent.count(":CURR 0.4,(@2)") == 2


def test_a_chambers_limits_are_read_back():
    chamber, _ = desk.chamber(**{":TEMP:PROT:LOW?;:TEMP:PROT:HIGH?": "-60;130"})

    with pytest.raises(ProtectionError, match="high temperature limit reads back as 130 °C instead of 80 °C"):
        chamber.set_limits(-60.0, 80.0)


def without(kind: type[Instrument], instrument: Instrument, link: desk.Desk, **values: object) -> Instrument:
    return kind(instrument.name, link, changed(instrument.settings, **values))  # type: ignore[arg-type]


def test_a_protection_the_bench_file_says_is_missing_is_not_sent_but_told_and_kept_in_software():
    source = without(ScpiSource, *desk.source(), without_level_limit=True)
    assert isinstance(source, ScpiSource)

    source.set_level_limit(3.0)

    assert source._link.sent == []  # type: ignore[attr-defined]
    assert source.missing_protections() == (
        "rf_source: no level limit of its own (bench file: instruments.rf_source.without_level_limit)",
    )
    with pytest.raises(LimitError):
        source.set_level(4.0)


def test_missing_protections_of_a_supply_are_told_output_by_output():
    channels = {1: desk.rating(without_over_current=True), 2: desk.rating(without_over_voltage=True)}
    supply = without(ScpiSupply, *desk.supply(), channels=channels)
    assert isinstance(supply, ScpiSupply)

    supply.set_over_voltage(2, 8.0)
    supply.set_over_current(1, True)

    assert supply._link.sent == []  # type: ignore[attr-defined]
    assert supply.missing_protections() == (
        "supply output 1: no over-current trip (bench file: instruments.supply.channels.1.without_over_current)",
        "supply output 2: no over-voltage protection (bench file: instruments.supply.channels.2.without_over_voltage)",
    )


def test_missing_limits_of_a_chamber_are_told():
    chamber = without(ScpiChamber, *desk.chamber(), without_temperature_limits=True)
    assert isinstance(chamber, ScpiChamber)

    chamber.set_limits(-30.0, 80.0)

    assert chamber._link.sent == []  # type: ignore[attr-defined]
    assert len(chamber.missing_protections()) == 1
    with pytest.raises(LimitError, match="low limit of chamber, set before"):
        chamber.set_temperature(-31.0)


def test_routes_that_read_back_otherwise_are_told():
    switch, _ = desk.switch(**{":ROUT:CLOS:STAT?": "(@101,202)"})

    with pytest.raises(InstrumentError, match="routes 101, 202 read back closed instead of 101, 201"):
        switch.connect((201, 101))
