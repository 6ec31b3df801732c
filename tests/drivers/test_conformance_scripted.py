"""Every driver keeps every promise of its role, on a scripted link. And a driver that does not is caught."""

from __future__ import annotations

import pytest

from benchkit.testing.conformance import (
    check_analyser,
    check_chamber,
    check_network_analyser,
    check_power_meter,
    check_source,
    check_supply,
    check_switch,
    check_voltmeter,
)
from drivers.scpi_source import ScpiSource
from tests.drivers import desk


def test_the_source_keeps_its_promises():
    check_source(lambda: desk.source()[0])


def test_the_power_meter_keeps_its_promises():
    check_power_meter(lambda: desk.power_meter()[0])


def test_the_analyser_keeps_its_promises():
    check_analyser(lambda: desk.analyser()[0])


def test_the_network_analyser_keeps_its_promises():
    check_network_analyser(lambda: desk.network_analyser()[0])


def test_the_supply_keeps_its_promises():
    check_supply(lambda: desk.supply()[0])


def test_the_voltmeter_keeps_its_promises():
    check_voltmeter(lambda: desk.voltmeter()[0], functions=("voltage", "resistance"))


def test_the_chamber_keeps_its_promises():
    check_chamber(lambda: desk.chamber()[0])


def test_the_switch_keeps_its_promises():
    check_switch(lambda: desk.switch()[0], positions=((101, 201, 301), (102, 202, 302)))


def test_conformance_catches_a_source_that_stays_on():
    """A check that nothing fails checks nothing."""
    with pytest.raises(Exception, match="reads on after it was switched off"):
        check_source(lambda: desk.source(**{":OUTP?;*IDN?": f"1;{desk.IDENTITY}"})[0])


def test_conformance_catches_a_driver_that_forgets_to_switch_off():
    """A driver of one's own whose hook does nothing fails its first read-back."""

    class Forgetful(ScpiSource):
        def _output_off(self) -> None:
            pass

    def make() -> Forgetful:
        good, link = desk.source()
        link.replies[":OUTP?;*IDN?"] = lambda _: f"{int(':OUTP ON' in link.sent)};{desk.IDENTITY}"
        return Forgetful("rf_source", link, good.settings)

    with pytest.raises(AssertionError, match="RF reads off after output_off"):
        check_source(make)


def test_conformance_catches_a_driver_that_hides_errors():
    with pytest.raises(AssertionError, match="command the instrument does not know"):
        check_voltmeter(lambda: desk.voltmeter(**{":SYST:ERR?": '0,"No error"'})[0])
