"""Supplies with the device on them: current limit, protections, trips that latch."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.twin.physics.conftest import Worker


def terminal(worker: Worker, name: str = "drain_supply", output: int = 1):  # type: ignore[no-untyped-def]  # short in tests
    return worker.world.supply_terminal(name, output, worker.t)


def test_the_current_limit_holds_the_current_and_lets_the_voltage_go(worker: Worker) -> None:
    worker.bias_up()
    worker.drain(6.0, limit_a=0.15)

    assert terminal(worker).mode == "constant current"
    assert terminal(worker).current_a == pytest.approx(0.15, abs=1e-6)
    assert terminal(worker).voltage_v < 2.0
    worker.drain(6.0, limit_a=0.5)
    assert terminal(worker).mode == "constant voltage"
    assert terminal(worker).voltage_v == 6.0


def test_an_over_current_trip_latches_until_cleared_and_then_waits_to_be_switched_on(worker: Worker) -> None:
    worker.bias_up()
    worker.drain(6.0, limit_a=0.25)
    worker.world.supply_protection("drain_supply", 1, over_voltage_v=None, over_current=True)
    worker.gate(-0.3, wait_s=0.5)

    assert terminal(worker).tripped == "over current"
    assert terminal(worker).voltage_v == pytest.approx(0.0, abs=1e-9)
    worker.drain(6.0, limit_a=0.5)  # told to be on; it is not
    assert terminal(worker).mode == "off"
    worker.world.supply_clear_trip("drain_supply", 1, worker.t)
    worker.wait(1.0)
    assert terminal(worker).voltage_v == 0.0
    assert terminal(worker).tripped == ""
    worker.gate(-2.5)
    worker.drain(6.0, limit_a=0.5)
    assert terminal(worker).voltage_v == 6.0
    assert worker.abuses == []


def test_a_trip_does_not_depend_on_anybody_looking(make_worker: Callable[..., Worker]) -> None:
    """The drain must be off when somebody looks, not because somebody looks."""

    def voltage_after(looks: int) -> float:
        worker = make_worker()
        worker.bias_up()
        worker.drain(6.0, limit_a=0.25)
        worker.world.supply_protection("drain_supply", 1, over_voltage_v=None, over_current=True)
        worker.gate(-0.3, wait_s=0.02)
        for _ in range(looks):
            terminal(worker)
        # 3 ms later a supply that tripped only now would still hold half its voltage.
        worker.wait(0.003)
        return float(terminal(worker).voltage_v)

    assert voltage_after(0) == voltage_after(5)
    assert voltage_after(0) < 0.1


def test_over_voltage_acts_at_its_level_on_the_way_up(worker: Worker) -> None:
    worker.gate(-2.5)
    worker.world.supply_protection("drain_supply", 1, over_voltage_v=6.5, over_current=False)
    start = worker.t
    worker.drain(9.0, wait_s=0.0)
    seen = []
    for step in range(200):
        worker.t = start + step * 1e-4
        seen.append(terminal(worker).voltage_v)

    assert 6.3 < max(seen) <= 6.5
    assert seen[-1] < 1e-3
    assert terminal(worker).tripped == "over voltage"


def test_over_voltage_of_a_negative_output_counts_from_zero(worker: Worker) -> None:
    worker.world.supply_protection("gate_supply", 1, over_voltage_v=3.0, over_current=False)
    worker.gate(-2.9)
    assert terminal(worker, "gate_supply").tripped == ""
    worker.gate(-3.1)

    assert terminal(worker, "gate_supply").tripped == "over voltage"


def test_a_protection_set_below_what_is_there_acts(worker: Worker) -> None:
    worker.bias_up()
    worker.world.supply_protection("drain_supply", 1, over_voltage_v=5.0, over_current=False)

    assert terminal(worker).tripped == "over voltage"


def test_a_gate_opened_too_far_draws_current_until_its_limit(worker: Worker) -> None:
    worker.gate(1.5, limit_a=4e-3)

    assert terminal(worker, "gate_supply").mode == "constant current"
    assert terminal(worker, "gate_supply").current_a == pytest.approx(4e-3, rel=1e-3)


def test_signs_of_gate_current(worker: Worker) -> None:
    """Leakage flows out of the gate, back into the supply: negative. Driven hard, the gate draws: positive."""
    worker.bias_up()
    small = terminal(worker, "gate_supply").current_a
    worker.drive(8.0)

    assert small < 0 < terminal(worker, "gate_supply").current_a


def test_outputs_that_feed_nothing_hold_their_voltage(worker: Worker) -> None:
    worker.drain(5.0, channel="B")

    assert terminal(worker, "drain_supply", 2).voltage_v == 5.0
    assert terminal(worker, "drain_supply", 1).voltage_v == 0.0
