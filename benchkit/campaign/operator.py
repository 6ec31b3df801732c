"""A person at the bench in place of hands: asked to connect something, and waited for while the run stays visibly alive."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from typing import Protocol

from benchkit.clock import Clock
from benchkit.errors import InstrumentError

__all__ = ["AskedHands", "Operator", "TerminalOperator", "hands_at_terminal"]

# How often the guardian hears of a run that waits for a person. [s]
BEAT_EVERY_S = 1.0

CAUTION = (
    "RF, drain and gate read back off. Chamber, part and fixture may be hot or cold enough to hurt; stored charge and static "
    "harm you or the part. Your site's own rules come first."
)


_CALIBRATE = (
    "Has {meter} a reference of its own? Then calibrate its SENSOR at it now, as the meter's manual says, and take the sensor "
    "off again. If it has none there is nothing to do. The sensor is zeroed by itself later on."
)
# RF comes on without bias, and what a part stands then is often less than it does when it amplifies.
_PART_OFF = " The PART must be off its planes at channel {channel}: RF comes on next, without bias, and it may not stand that."
# The power meter's sensor, away from its own place.
_SENSOR = ("sensor at source", "sensor at second source", "sensor", "sensor at analyser")
# Whose cable is off then, and must be on again before anything else is done.
_CABLE = {"sensor at source": "source", "sensor at second source": "second source", "sensor at analyser": "analyser"}


def _what_and_where(what: str, channel: str) -> tuple[str, str]:
    sensor = "the power meter's SENSOR, with its adapter if the sequence says so,"
    at_planes = f"to channel {channel}, at the device's planes (both ports)"
    if what in ("sensor at source", "sensor at second source"):
        return sensor, f"to the {_CABLE[what].upper()}'s connector, in place of the cable that leads to channel {channel}"
    if what == "sensor":
        return sensor, f"to the device's INPUT plane of channel {channel}, what is there (device or thru) taken off"
    if what == "sensor at analyser":
        return (
            "a THRU",
            f"{at_planes}; then take the cable of channel {channel} off the SPECTRUM ANALYSER and put its end on the power "
            "meter's SENSOR, which keeps its adapter if the sequence says so. Close the sensor's own place with a matched load "
            "if you have one: an open end reflects into what is measured. All of it",
        )
    return "the device" if what == "device" else f"the calibration standard {what.upper()}", at_planes


def _back(before: str, what: str) -> str:
    """What must be in its place again once something else is connected; "" when nothing was moved."""
    told = ""
    if before in _CABLE and what != before:
        told += f" First the {_CABLE[before]}'s cable goes back on the {_CABLE[before].upper()}, tightened to its torque."
    if before in _SENSOR and what not in _SENSOR:
        then = "" if told else " first"
        told += f" The power sensor goes back to its own place{then}, its adapter off."
    return told


class Operator(Protocol):
    """Whoever can be asked."""

    def ask(self, text: str) -> None:
        """Show what is to be done; returns when it is done. May be called from another thread than the run's."""
        ...


class TerminalOperator:
    """Asks on the terminal and waits for the Enter key."""

    def ask(self, text: str) -> None:
        input(f"\n{text}\nPress Enter when it is done (Ctrl-C ends the run): ")


class AskedHands:
    """
    Implements benchkit.link.library.Hands by asking a person.

    Args:
        beat: Called every second meanwhile: a run that waits for a person is not stuck.
    """

    def __init__(self, operator: Operator, clock: Clock, beat: Callable[[], None] | None) -> None:
        self._operator, self._clock, self._beat = operator, clock, beat
        self._connected: dict[str, str] = {}

    def connect(self, channel: str, what: str) -> None:
        """
        Raises:
            InstrumentError: The person cannot be asked any more (the terminal is gone).
        """
        thing, where = _what_and_where(what, channel)
        before = self.connected(channel)
        to_do = f"Connect {thing} {where}, tightened to its torque."
        stays = f"The THRU stays at channel {channel}, at the device's planes"
        if before == "sensor at analyser" and what == "thru":
            to_do = f"{stays}."
        if before == "thru" and what == "sensor at analyser":
            to_do = f"{stays}; {where.partition('; ')[2]}, tightened to its torque."
        off = "" if what == "device" else _PART_OFF.format(channel=channel)
        self._ask(f"{CAUTION}\n{to_do}{_back(before, what)}{off}", f"connect {thing}")
        self._connected[channel] = what

    def connected(self, channel: str) -> str:
        """What was asked for last; "device" before anything was."""
        return self._connected.get(channel, "device")

    def calibrate_sensor(self, meter: str) -> None:
        """
        Raises:
            InstrumentError: The person cannot be asked any more.
        """
        self._ask(f"{CAUTION}\n{_CALIBRATE.format(meter=meter)}", f"calibrate the sensor of {meter}")

    def _ask(self, text: str, to_do: str) -> None:
        failed: list[BaseException] = []

        def ask() -> None:
            try:
                self._operator.ask(text)
            except BaseException as error:  # noqa: BLE001 - told to the run's own thread below
                failed.append(error)

        asking = threading.Thread(target=ask, name="operator", daemon=True)
        asking.start()
        while asking.is_alive():
            if self._beat is not None:
                self._beat()
            self._clock.sleep(BEAT_EVERY_S)
        if failed:
            raise InstrumentError("operator", f"could not be asked to {to_do}: {failed[0]!r}") from failed[0]


def hands_at_terminal(clock: Clock, beat: Callable[[], None] | None) -> AskedHands | None:
    """Who can be asked at this process's terminal; None: it has none, so that nobody would see the question."""
    if not (sys.stdin is not None and sys.stdin.isatty()):
        return None
    return AskedHands(TerminalOperator(), clock, beat)
