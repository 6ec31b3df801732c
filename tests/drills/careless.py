"""
What a careless script does to a device: plain SCPI over pyvisa, no benchkit in it.

Drain before gate, RF before the bias, 10 dB too much, routes changed with RF on, the gate taken away under a live drain,
everything left on. Each line says what it does wrong; the ledger must know every one of them.
"""

from __future__ import annotations

import pyvisa

from benchkit.bench.load import Bench
from benchkit.clock import VirtualClock
from sim_instruments.ledger import Abuse
from sim_instruments.visa import TwinLibrary

__all__ = ["EXPECTED", "be_careless"]

EXPECTED = {
    Abuse.RF_UNBIASED,
    Abuse.DRAIN_WITHOUT_GATE,
    Abuse.DRAIN_CURRENT,
    Abuse.DISSIPATION,
    Abuse.INPUT_POWER,
    Abuse.HOT_SWITCHING,
    Abuse.DRAIN_VOLTAGE,
    Abuse.GATE_REMOVED,
    Abuse.LEFT_ENERGISED,
}


def be_careless(library: TwinLibrary, bench: Bench, clock: VirtualClock) -> None:
    """Everything wrong once, in the order in which a hurried person does it."""
    manager = pyvisa.ResourceManager(library)

    def opened(name: str) -> pyvisa.resources.MessageBasedResource:
        address = bench.file.instruments[name].address
        resource = manager.open_resource(address, write_termination="\n", read_termination="\n")
        assert isinstance(resource, pyvisa.resources.MessageBasedResource)
        return resource

    source, drain, gate, switch = (opened(name) for name in ("rf_source", "drain_supply", "gate_supply", "rf_switch"))
    switch.write("ROUT:CLOS (@101,201,301)")
    source.write("FREQ 14.125 GHZ;:POW 0 DBM;:OUTP ON")
    clock.sleep(0.1)  # RF into a part without bias
    drain.write("VOLT 6,(@1);:CURR 2,(@1);:OUTP ON,(@1)")
    clock.sleep(0.1)  # drain on, gate at 0 V: all the current there is, and no limit worth the name
    gate.write("VOLT -0.75,(@1);:OUTP ON,(@1)")
    clock.sleep(0.1)
    source.write("POW 18 DBM")
    clock.sleep(0.1)  # 10 dB more than was meant
    switch.write("ROUT:OPEN (@201)")
    switch.write("ROUT:CLOS (@201)")
    clock.sleep(0.1)  # with RF on the contacts
    drain.write("VOLT 12,(@1)")
    clock.sleep(0.1)  # the knob turned too far
    drain.write("VOLT 6,(@1)")
    gate.write("OUTP OFF,(@1)")
    clock.sleep(0.1)  # gate gone, drain on
    gate.write("OUTP ON,(@1)")
    clock.sleep(0.1)
    for resource in (source, drain, gate, switch):
        resource.close()  # and home
