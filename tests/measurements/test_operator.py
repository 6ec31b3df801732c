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


def test_whoever_measures_paths_is_told_what_goes_where_and_what_goes_back() -> None:
    """A cable that stays off its source, or off the analyser, is found in the night's numbers, or never."""
    asked: list[str] = []

    class Willing:
        def ask(self, text: str) -> None:
            asked.append(text)

    hands = AskedHands(Willing(), VirtualClock(), None)
    for what in ("thru", "sensor at analyser", "sensor", "sensor at source", "sensor at second source", "device"):
        hands.connect("A", what)

    thru, analyser, plane, source, second, device = asked
    assert "SENSOR" in source
    assert "to the SOURCE's connector" in source
    assert "to the SECOND SOURCE's connector" in second
    assert "the source's cable goes back on the SOURCE" in second
    assert "INPUT plane of channel A" in plane
    assert "the analyser's cable goes back on the ANALYSER" in plane
    assert "THRU to channel A" in thru
    assert "The THRU stays at channel A" in analyser
    assert "off the SPECTRUM ANALYSER and put its end on the power meter's SENSOR" in " ".join(analyser.split())
    assert "Connect the device to channel A" in device
    assert "the second source's cable goes back on the SECOND SOURCE" in device
    assert "power sensor goes back to its own place" in device
    # What a part stands without bias is less than it does when it amplifies: RF comes next.
    assert all("The PART must be off its planes at channel A" in text for text in asked[:-1])
    assert "must be off" not in device


def test_a_cable_that_is_off_when_all_begins_again_goes_back_first() -> None:
    """After transient trouble the first thing is asked for again, whatever was connected."""
    asked: list[str] = []

    class Willing:
        def ask(self, text: str) -> None:
            asked.append(text)

    hands = AskedHands(Willing(), VirtualClock(), None)
    for what in ("sensor at analyser", "sensor at source"):
        hands.connect("A", what)
    assert "the analyser's cable goes back on the ANALYSER" in asked[1]
