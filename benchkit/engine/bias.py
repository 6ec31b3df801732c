"""
The bias states and what may follow what: one table, and an illegal transition raises and changes nothing.

Depletion mode conducts with its gate at 0 V: the gate comes first and goes last. Enhancement mode needs no gate to be off,
but a gate that nothing drives floats, and the same order harms nothing: there is one table for both. What differs is the
pinch-off voltage that the sequence states.
"""

from __future__ import annotations

from enum import Enum

from benchkit.errors import BiasOrderError

__all__ = ["TABLE_MARKS", "TRANSITIONS", "BiasEvent", "BiasState", "next_state", "transition_table_markdown"]


class BiasState(Enum):
    UNPOWERED = "unpowered"  # drain and gate off
    PINCHED = "pinched"  # every gate holds the device off, verified; drain off
    BIASED = "biased"  # drain on, RF off
    DRIVEN = "driven"  # RF on


class BiasEvent(Enum):
    GATE_ON = "gate to pinch-off"
    DRAIN_ON = "drain on"
    TRIM = "trim gate"
    RF_ON = "RF on"
    RF_OFF = "RF off"
    DRAIN_OFF = "drain off"
    GATE_OFF = "gate off"
    MAKE_SAFE = "make safe"


TRANSITIONS: dict[BiasState, dict[BiasEvent, BiasState]] = {
    BiasState.UNPOWERED: {BiasEvent.GATE_ON: BiasState.PINCHED, BiasEvent.MAKE_SAFE: BiasState.UNPOWERED},
    BiasState.PINCHED: {
        BiasEvent.DRAIN_ON: BiasState.BIASED,
        BiasEvent.GATE_OFF: BiasState.UNPOWERED,
        BiasEvent.MAKE_SAFE: BiasState.UNPOWERED,
    },
    BiasState.BIASED: {
        BiasEvent.TRIM: BiasState.BIASED,
        BiasEvent.RF_ON: BiasState.DRIVEN,
        BiasEvent.DRAIN_OFF: BiasState.PINCHED,
        BiasEvent.MAKE_SAFE: BiasState.UNPOWERED,
    },
    BiasState.DRIVEN: {BiasEvent.RF_OFF: BiasState.BIASED, BiasEvent.MAKE_SAFE: BiasState.UNPOWERED},
}

TABLE_MARKS = ("<!-- bias table -->", "<!-- end of bias table -->")
"""Before and behind the table in the developers' page."""


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


def transition_table_markdown() -> str:
    """The table for the docs: states down, events across, the next state in the cell; empty: refused."""
    lines = [
        "| state | " + " | ".join(event.value for event in BiasEvent) + " |",
        "|---" * (1 + len(BiasEvent)) + "|",
    ]
    for state, row in TRANSITIONS.items():
        cells = [row[event].value if event in row else "" for event in BiasEvent]
        lines.append(f"| **{state.value}** | " + " | ".join(cells) + " |")
    return "\n".join(lines)
