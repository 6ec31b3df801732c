"""The bias states: one table, no other way through it."""

from __future__ import annotations

import pytest

from benchkit.engine.bias import TRANSITIONS, BiasEvent, BiasState, next_state
from benchkit.errors import BiasOrderError


def test_every_state_has_a_row() -> None:
    """A state without a row would be a state the machine cannot leave."""
    assert set(TRANSITIONS) == set(BiasState)


def test_every_transition_that_the_table_lacks_is_refused_and_says_what_is_allowed() -> None:
    """A wrong order kills a depletion-mode part in milliseconds; the machine must not have it in it."""
    for state in BiasState:
        for event in BiasEvent:
            if event in TRANSITIONS[state]:
                assert next_state(state, event) is TRANSITIONS[state][event]
                continue
            with pytest.raises(BiasOrderError) as refused:
                next_state(state, event)
            assert state.value in str(refused.value)
            assert all(allowed.value in str(refused.value) for allowed in TRANSITIONS[state])


@pytest.mark.parametrize(
    ("state", "event"),
    [
        (BiasState.UNPOWERED, BiasEvent.DRAIN_ON),
        (BiasState.UNPOWERED, BiasEvent.RF_ON),
        (BiasState.PINCHED, BiasEvent.RF_ON),
        (BiasState.BIASED, BiasEvent.GATE_OFF),
        (BiasState.DRIVEN, BiasEvent.GATE_OFF),
        (BiasState.DRIVEN, BiasEvent.DRAIN_OFF),
    ],
)
def test_the_orders_that_kill_are_not_in_the_table(state: BiasState, event: BiasEvent) -> None:
    """Drain before gate, RF into an unbiased part, gate off under a live drain, drain off under drive (common practice)."""
    assert event not in TRANSITIONS[state]


def test_from_every_state_there_is_a_way_down_to_unpowered_that_never_goes_up() -> None:
    """Make safe must exist from wherever a run ends."""
    down = {BiasEvent.RF_OFF, BiasEvent.DRAIN_OFF, BiasEvent.GATE_OFF}
    for start in BiasState:
        state = start
        for _ in range(len(BiasState)):
            if state is BiasState.UNPOWERED:
                break
            (event,) = down & set(TRANSITIONS[state])
            state = TRANSITIONS[state][event]
        assert state is BiasState.UNPOWERED
