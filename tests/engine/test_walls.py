"""The third wall: what a reading beyond a limit, near one, or without a number does to a run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchkit.errors import LimitError
from sim_instruments.instruments.port import Reply
from tests.engine.story import QUICK, Fault, Story, run, scenario

PART = ("rf_source", "drain_supply", "gate_supply")


class Readings:
    """Replaces voltage or current in a supply's answers: `at(number of the reading) -> text or None`, from the first RF on."""

    def __init__(self, supply: str, place: int, at: dict[int, str]) -> None:
        self.place, self.at, self.number, self.driven = place, at, 0, False
        self.faults = (Fault("rf_source", hears=self._hears), Fault(supply, says=self._says))

    def _hears(self, message: bytes, t: float) -> bytes:
        self.driven = self.driven or message == b":OUTP ON"
        return message

    def _says(self, reply: Reply) -> Reply:
        parts = reply.data.strip().split(b";")
        if not self.driven or len(parts) != 2 or b"E" not in parts[1]:
            return reply
        self.number += 1
        if self.number in self.at:
            parts[self.place] = self.at[self.number].encode()
        return Reply(b";".join(parts) + b"\n", reply.ready_at)


def twisted(folder: Path, supply: str, place: int, at: dict[int, str]) -> Story:
    return run(scenario(folder, QUICK), *Readings(supply, place, at).faults)


def test_the_reading_that_trips_is_in_the_record_marked_and_the_message_says_how_much_and_by_which_key(tmp_path: Path) -> None:
    """Without the reading nobody can tell next morning whether the part or the bench was at fault."""
    story = twisted(tmp_path, "drain_supply", 1, {4: "+4.93000000000E-01"})

    assert isinstance(story.error, LimitError)
    assert (story.error.value, story.error.limit, story.error.unit) == (0.493, 0.48, "A")
    assert "channel A" in story.error.quantity
    assert story.error.source == "kd14_short.yaml: limits.drain_current_max"
    last = story.points.iloc[-1]
    assert list(story.points["tripped"]) == [0] * (len(story.points) - 1) + [1]
    assert last["drain_current_a"] == 0.493
    assert last["drive_set_dbm"] == -6.0
    assert last["input_dbm"] == -6.0
    ladder = story.ladders.iloc[-1]
    assert ladder["status"] == "torn"
    assert ladder["points"] == 4
    assert "drain current" in ladder["stop_reason"]
    assert story.abuses == []


def test_after_a_trip_the_next_messages_to_the_part_are_rf_off_drain_off_gate_off(tmp_path: Path) -> None:
    """No second reading to be sure, no row to be written first: the part comes first."""
    story = twisted(tmp_path, "drain_supply", 1, {4: "+4.93000000000E-01"})
    tripped = max(i for i, row in enumerate(story.log) if "4.93" in row[3])
    after = [f"{name} {text}" for _, name, way, text in story.log[tripped + 1 :] if way == ">" and name in PART]

    assert after[0] == "rf_source :OUTP OFF"
    off = [text for text in after if "OUTP OFF" in text]
    assert off.index("rf_source :OUTP OFF") < off.index("drain_supply :OUTP OFF,(@1)") < off.index("gate_supply :OUTP OFF,(@1)")
    assert not any("POW" in text or "OUTP ON" in text for text in after)
    begun_s = story.log[tripped][0]
    assert next(t for t in story.when("drain_supply", "OUTP OFF,(@1)") if t >= begun_s) - begun_s < 0.05
    assert story.unsafe == ()


@pytest.mark.parametrize(
    ("supply", "place", "column", "what"),
    [
        ("drain_supply", 0, "drain_voltage_v", "drain voltage"),
        ("drain_supply", 1, "drain_current_a", "drain current"),
        ("gate_supply", 0, "gate_voltage_v", "gate voltage"),
        ("gate_supply", 1, "gate_current_a", "gate current"),
    ],
)
def test_a_guarding_reading_that_is_no_number_is_a_wall(tmp_path: Path, supply: str, place: int, column: str, what: str) -> None:
    """SCPI's not-a-number (9.91E37) is not below any limit; a comparison that it slips through protects nothing."""
    story = twisted(tmp_path, supply, place, {3: "9.91E+37"})

    assert isinstance(story.error, LimitError)
    assert what in story.error.quantity
    assert "no number" in str(story.error)
    assert "not a number" in str(story.error)
    assert np.isnan(story.points.iloc[-1][column])
    assert story.points.iloc[-1]["tripped"] == 1
    assert story.abuses == []


@pytest.mark.parametrize("value", ["9.9E+37", "-9.9E+37", "-4.9E-01"])
def test_infinite_and_backward_currents_are_walls_too(tmp_path: Path, value: str) -> None:
    """An instrument's overload code, or a current the wrong way, is no small current."""
    story = twisted(tmp_path, "drain_supply", 1, {3: value})

    assert isinstance(story.error, LimitError)
    assert story.abuses == []


def test_a_near_miss_is_one_event_for_each_excursion_and_the_run_goes_on(tmp_path: Path) -> None:
    """A point near a limit is worth a look; one event per point would bury it."""
    near, far = "-4.80000000000E-03", "-1.00000000000E-03"
    story = twisted(tmp_path, "gate_supply", 1, {3: near, 4: near, 5: near, 6: far, 7: near})

    assert story.error is None
    events = story.event("near miss")
    assert len(events) == 2
    assert "-0.0048 A" in events[0]
    assert "kd14_short.yaml: limits.gate_current_max" in events[0]
    assert not story.points["tripped"].any()


def test_near_misses_can_be_left_out(tmp_path: Path) -> None:
    """The margin is the sequence's to state."""
    sequence = scenario(tmp_path, (*QUICK, ("  gate_current_max: 5 mA", "  gate_current_max: 5 mA\n  near_miss: 0 %")))
    story = run(sequence, *Readings("gate_supply", 1, {3: "-4.99000000000E-03"}).faults)

    assert story.error is None
    assert story.event("near miss") == []


def test_a_wall_hit_while_biasing_is_in_the_bias_log_with_the_state_it_was_read_in(tmp_path: Path) -> None:
    """Most parts that die, die while being switched on; that reading matters most."""
    readings = Readings("drain_supply", 1, {2: "+5.00000000000E-01"})
    readings.driven = True  # from the start
    story = run(scenario(tmp_path, QUICK), *readings.faults)

    assert isinstance(story.error, LimitError)
    assert len(story.points) == 0
    row = story.bias.iloc[-1]
    assert row["drain_current_a"] == 0.5
    assert row["state"] == "biased"
    assert story.abuses == []


def test_leakage_at_pinch_off_stops_before_the_drain_is_all_the_way_up(tmp_path: Path) -> None:
    """A part that conducts with its gate at pinch-off is broken, or is another part."""
    readings = Readings("drain_supply", 1, {1: "+5.00000000000E-03"})
    readings.driven = True
    story = run(scenario(tmp_path, QUICK), *readings.faults)

    assert isinstance(story.error, LimitError)
    assert story.error.source.endswith("bias.pinch_off_current_max")
    assert story.when("drain_supply", ":VOLT 1.5,")
    assert not story.when("drain_supply", ":VOLT 3,")
    assert story.abuses == []
