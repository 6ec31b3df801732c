"""A person is asked where no hands connect by themselves, and the run stays visibly alive meanwhile."""

from __future__ import annotations

import threading

import pytest

from benchkit.campaign.operator import AskedHands
from benchkit.clock import VirtualClock
from benchkit.errors import InstrumentError


def test_the_question_names_standard_and_channel_and_what_can_hurt_and_is_waited_for() -> None:
    """The guardian counts a silent run as stuck; a person with a wrench is not silent on purpose."""
    asked: list[str] = []
    beaten = threading.Event()

    class Patient:
        def ask(self, text: str) -> None:
            asked.append(text)
            assert beaten.wait(20)

    hands = AskedHands(Patient(), VirtualClock(), beaten.set)
    hands.connect("A", "thru")

    assert "THRU to channel A" in asked[0]
    assert "off" in asked[0]
    assert "rules come first" in asked[0]
    assert hands.connected("A") == "thru"
    assert hands.connected("B") == "device"


def test_the_sensor_is_calibrated_where_the_meter_has_a_reference() -> None:
    """How is the manual's to say; that it is done before paths are measured is ours."""
    asked: list[str] = []

    class Willing:
        def ask(self, text: str) -> None:
            asked.append(text)

    AskedHands(Willing(), VirtualClock(), None).calibrate_sensor("output_meter")
    assert "output_meter" in asked[0]
    assert "reference" in asked[0]
    assert "rules come first" in asked[0]


def test_a_terminal_that_is_gone_is_an_error_and_not_a_standard_that_is_connected() -> None:
    class Gone:
        def ask(self, text: str) -> None:
            raise EOFError

    hands = AskedHands(Gone(), VirtualClock(), None)
    with pytest.raises(InstrumentError, match="could not be asked"):
        hands.connect("A", "load")
    assert hands.connected("A") == "device"
    with pytest.raises(InstrumentError, match="could not be asked to calibrate the sensor of output_meter"):
        hands.calibrate_sensor("output_meter")
