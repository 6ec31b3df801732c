"""For tests of drivers, ours and yours: a scripted link, a clock that can be pushed, conformance checks per role."""

from benchkit.clock import VirtualClock
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
from benchkit.testing.scripted_link import ScriptedLink

__all__ = [
    "ScriptedLink",
    "VirtualClock",
    "check_analyser",
    "check_chamber",
    "check_network_analyser",
    "check_power_meter",
    "check_source",
    "check_supply",
    "check_switch",
    "check_voltmeter",
]
