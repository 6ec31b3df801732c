"""
One conformance check per role: what a driver must pass, ours and yours, on a scripted link, the twin or a bench.

A check takes a function that opens the instrument anew, puts it through every promise of its role, and raises AssertionError
naming the first that is not kept. It sets, switches and reads: on a real bench nothing may be connected to what it drives.

How it stacks: common, then rf (source, power meter, analysers, switch) and dc (supply, voltmeter, chamber).
"""

from benchkit.testing.conformance.dc import check_chamber, check_supply, check_voltmeter
from benchkit.testing.conformance.rf import (
    check_analyser,
    check_network_analyser,
    check_power_meter,
    check_source,
    check_switch,
)

__all__ = [
    "check_analyser",
    "check_chamber",
    "check_network_analyser",
    "check_power_meter",
    "check_source",
    "check_supply",
    "check_switch",
    "check_voltmeter",
]
