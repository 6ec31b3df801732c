"""The ledger: empty after careful work, and the right entry for each thing a careful person would wince at."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sim_instruments.ledger import Abuse, Entry, Ledger, read_ledger
from tests.twin.physics.conftest import Worker


def test_careful_work_leaves_the_ledger_empty(worker: Worker) -> None:
    """Both channels, biased, driven into compression, hot and cold, and everything taken down again."""
    for channel, setpoint in (("A", 70.0), ("B", -30.0)):
        worker.world.chamber_changed(worker.t, setpoint_degc=setpoint, ramp_k_per_min=3.0, running=True)
        worker.wait(4000.0)
        worker.bias_up(channel)
        for level in range(-20, 10):
            worker.drive(float(level), channel=channel)
        worker.bias_down(channel)
    worker.world.chamber_changed(worker.t, setpoint_degc=25.0, ramp_k_per_min=3.0, running=True)
    worker.world.finish(worker.t)

    assert worker.world.ledger.entries == ()


def test_drain_before_gate_is_noted_at_the_moment_it_comes_on(worker: Worker) -> None:
    worker.drain(6.0, limit_a=0.4)

    assert worker.abuses == []  # nobody has let the time pass yet
    worker.world.finish(worker.t)
    first = worker.world.ledger.entries[0]
    assert first.what == Abuse.DRAIN_WITHOUT_GATE
    assert 0 < first.t_s < 0.001
    assert "channel A" in first.detail


def test_gate_and_drain_at_once_is_too_early_for_the_drain(worker: Worker) -> None:
    """Both take ten milliseconds; the drain is on before the gate holds."""
    worker.gate(-2.5, wait_s=0.0)
    worker.drain(6.0, limit_a=0.4)
    worker.world.finish(worker.t)

    assert Abuse.DRAIN_WITHOUT_GATE in worker.abuses


@pytest.mark.parametrize("how", ["off", "trip"])
def test_gate_taken_away_under_the_drain(worker: Worker, how: str) -> None:
    worker.bias_up()
    if how == "off":
        worker.gate(-0.75, on=False)
    else:
        worker.world.supply_protection("gate_supply", 1, over_voltage_v=0.1, over_current=False)
        worker.wait(0.1)
    worker.gate(-2.5)

    assert worker.abuses.count(Abuse.GATE_REMOVED) == 1


def test_drain_and_gate_off_at_once_lets_go_of_the_gate_too_early(worker: Worker) -> None:
    """The drain still holds volts when the gate passes pinch-off: why make safe waits between the two."""
    worker.bias_up()
    worker.gate(-2.5)
    worker.drain(0.0, on=False, wait_s=0.0)
    worker.gate(0.0, on=False)
    worker.world.finish(worker.t)

    assert Abuse.GATE_REMOVED in worker.abuses


def test_an_abuse_is_noted_once_while_it_lasts_and_again_when_it_comes_back(worker: Worker) -> None:
    worker.bias_up()
    for _ in range(2):
        worker.drain(7.5)
        for _ in range(20):
            worker.wait(3.0)
            worker.current_a()
        worker.drain(6.0)

    assert worker.abuses.count(Abuse.DRAIN_VOLTAGE) == 2


def _no_gate(worker: Worker) -> None:
    worker.bias_up()
    worker.gate(0.0, wait_s=0.5)


def _too_much_drive(worker: Worker) -> None:
    worker.bias_up()
    worker.drive(14.0)


def _hot_device(worker: Worker) -> None:
    worker.bias_up()
    worker.world.chamber_changed(worker.t, setpoint_degc=140.0, ramp_k_per_min=10.0, running=True)
    worker.wait(3600.0)


def _rf_first(worker: Worker) -> None:
    worker.route("A")
    worker.wait(0.1)
    worker.drive(-20.0)


def _rf_left_on(worker: Worker) -> None:
    worker.bias_up()
    worker.drive(-20.0)
    worker.gate(-2.5)
    worker.drain(0.0, on=False)


def _rf_into_a_pinched_device(worker: Worker) -> None:
    worker.bias_up()
    worker.drive(-20.0)
    worker.gate(-2.5)


def _hot_switching(worker: Worker) -> None:
    worker.bias_up()
    worker.drive(2.0)
    worker.route("")


def _hot_switching_at_the_output(worker: Worker) -> None:
    worker.bias_up()
    worker.drive(-10.0)  # -6 dBm at the source, +14 dBm at the output
    worker.route("B")


def _no_attenuator(worker: Worker) -> None:
    worker.bias_up()
    path = worker.world.ports.paths["output_a"]
    worker.world.alter(worker.t, lambda: setattr(path, "extra_db", -20.0))
    worker.drive(6.0)


def _source_beyond_the_path(worker: Worker) -> None:
    worker.bias_up()
    worker.rf(28.0)


ABUSES = {
    Abuse.DRAIN_CURRENT: _no_gate,
    Abuse.DISSIPATION: _no_gate,
    Abuse.GATE_VOLTAGE: lambda worker: worker.gate(-4.0),
    Abuse.GATE_CURRENT: lambda worker: worker.gate(1.0, limit_a=0.1),
    Abuse.INPUT_POWER: _too_much_drive,
    Abuse.CHANNEL_TEMPERATURE: _hot_device,
    Abuse.CHAMBER_RANGE: _hot_device,
    Abuse.RF_UNBIASED: _rf_first,
    Abuse.HOT_SWITCHING: _hot_switching,
    Abuse.METER_POWER: _no_attenuator,
    Abuse.PATH_POWER: _source_beyond_the_path,
    Abuse.LEFT_ENERGISED: lambda worker: worker.bias_up(),
    Abuse.LEFT_HOT_OR_COLD: _hot_device,
}


@pytest.mark.parametrize("what", ABUSES)
def test_each_abuse_is_noted(worker: Worker, what: str) -> None:
    ABUSES[what](worker)
    worker.world.finish(worker.t)

    assert what in worker.abuses


@pytest.mark.parametrize(
    ("act", "what"),
    [
        (_rf_left_on, Abuse.RF_UNBIASED),
        (_rf_into_a_pinched_device, Abuse.RF_UNBIASED),
        (_hot_switching_at_the_output, Abuse.HOT_SWITCHING),
    ],
)
def test_less_obvious_ways_to_the_same_abuse(worker: Worker, act: Callable[[Worker], None], what: str) -> None:
    act(worker)
    worker.world.finish(worker.t)

    assert what in worker.abuses


def test_output_power_and_switch_rating_are_watched(worker: Worker) -> None:
    """The device as made never gets there; one that wins gain and power, or a smaller switch, would."""
    worker.bias_up()
    maxima = worker.world.device_file.absolute_maximum
    object.__setattr__(maxima, "output_power_dbm", 25.0)
    worker.world.ports.switches["rf_switch"].power_max_dbm = 20.0
    worker.drive(4.0)
    worker.world.finish(worker.t)

    assert Abuse.OUTPUT_POWER in worker.abuses
    assert Abuse.SWITCH_POWER in worker.abuses


def test_a_peak_between_two_looks_is_seen(worker: Worker) -> None:
    """An overshoot of milliseconds above the device's maximum is there even if nobody measured."""
    worker.bias_up()
    worker.drive(11.85)
    assert worker.abuses == []
    worker.drive(12.9)
    worker.world.finish(worker.t)

    assert Abuse.INPUT_POWER in worker.abuses


def test_drive_given_up_before_it_settled_was_there_all_the_same(worker: Worker) -> None:
    worker.bias_up()
    worker.drive(16.0, wait_s=0.001)
    worker.rf(-40.0, on=False)

    assert Abuse.INPUT_POWER in worker.abuses


def test_switching_cold_is_no_abuse(worker: Worker) -> None:
    worker.bias_up()
    worker.drive(4.0)
    worker.rf(-40.0, on=False)
    worker.route("B")
    worker.bias_down("A")
    worker.world.finish(worker.t)

    assert worker.abuses == []


def test_finishing_twice_notes_once_and_a_story_that_goes_on_is_looked_at_again(worker: Worker) -> None:
    worker.bias_up()
    worker.world.finish(worker.t)
    worker.world.finish(worker.t)
    once = worker.abuses.count(Abuse.LEFT_ENERGISED)
    worker.bias_down()
    worker.world.finish(worker.t)

    assert once == 2  # drain and gate
    assert worker.abuses.count(Abuse.LEFT_ENERGISED) == 2


def test_the_file_has_each_entry_as_it_happens(tmp_path: Path) -> None:
    """A killed process must leave what it knew: no buffer to lose, and a file even when there is nothing to tell."""
    path = tmp_path / "ledger.jsonl"
    ledger = Ledger(path)
    assert read_ledger(path) == ()
    ledger.note(1.5, Abuse.GATE_REMOVED, "channel A")

    assert read_ledger(path) == (Entry(1.5, Abuse.GATE_REMOVED, "channel A"),)


def test_an_existing_ledger_is_added_to(tmp_path: Path) -> None:
    path = tmp_path / "ledger.jsonl"
    for number in range(2):
        ledger = Ledger(path)
        ledger.note(float(number), Abuse.HOT_SWITCHING, "")

    assert [entry.t_s for entry in read_ledger(path)] == [0.0, 1.0]


def test_a_damaged_ledger_is_refused_with_its_line(tmp_path: Path) -> None:
    """Half an entry must not pass for none."""
    path = tmp_path / "ledger.jsonl"
    path.write_text('{"t_s": 1.0, "what": "hot switching", "detail": ""}\n{"t_s": 2.0, "wh', encoding="utf-8")

    with pytest.raises(ValueError, match=r"ledger\.jsonl:2"):
        read_ledger(path)
