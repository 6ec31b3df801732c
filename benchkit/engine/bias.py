"""
The bias states and what may follow what: one table, and an illegal transition raises and changes nothing.

Depletion mode conducts with its gate at 0 V: the gate comes first and goes last. Enhancement mode needs no gate to be off,
but the same order harms nothing, so there is one table for both; what differs is the pinch-off voltage the sequence states.
"""

from __future__ import annotations

from enum import Enum

from benchkit.errors import BiasOrderError

__all__ = ["TRANSITIONS", "BiasEvent", "BiasState", "next_state"]


class BiasState(Enum):
    UNPOWERED = "unpowered"  # drain and gate off
    PINCHED = "pinched"  # gate holds the device off, verified; drain off
    BIASED = "biased"  # drain on, RF off
    DRIVEN = "driven"  # RF on


class BiasEvent(Enum):
    GATE_ON = "gate to pinch-off"
    DRAIN_ON = "drain on"
    RF_ON = "RF on"
    RF_OFF = "RF off"
    DRAIN_OFF = "drain off"
    GATE_OFF = "gate off"


TRANSITIONS: dict[BiasState, dict[BiasEvent, BiasState]] = {
    BiasState.UNPOWERED: {BiasEvent.GATE_ON: BiasState.PINCHED},
    BiasState.PINCHED: {BiasEvent.DRAIN_ON: BiasState.BIASED, BiasEvent.GATE_OFF: BiasState.UNPOWERED},
    BiasState.BIASED: {BiasEvent.RF_ON: BiasState.DRIVEN, BiasEvent.DRAIN_OFF: BiasState.PINCHED},
    BiasState.DRIVEN: {BiasEvent.RF_OFF: BiasState.BIASED},
}


def next_state(state: BiasState, event: BiasEvent) -> BiasState:
    """
    The state after `event`.

    Raises:
        BiasOrderError: The table has no such transition; nothing was changed.
    """
    row = TRANSITIONS[state]
    if event not in row:
        allowed = ", ".join(one.value for one in row)
        raise BiasOrderError(f"{event.value} is not allowed while the device is {state.value}; allowed: {allowed}")
    return row[event]
