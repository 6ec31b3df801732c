"""The second wall: protections set and read back before power, and noticed when they are lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import InstrumentError, ProtectionError
from sim_instruments.twin import Twin
from tests.engine.story import QUICK, Fault, Seen, Story, run, scenario

# Two conditions on one channel.
TWICE = (*QUICK, ("supply_voltage: 6 V", "supply_voltage: [5 V, 6 V]"))


def switched_on(story: Story) -> list[str]:
    return [text for text in story.sent("rf_source", "drain_supply", "gate_supply") if "OUTP ON" in text]


def test_every_protection_is_set_and_read_back_before_anything_is_switched_on(tmp_path: Path) -> None:
    """A protection that is set after power protects the next run."""
    story = run(scenario(tmp_path, QUICK))
    sent = story.sent("rf_source", "drain_supply", "gate_supply")
    first_on = next(i for i, text in enumerate(sent) if "OUTP ON" in text)

    assert story.error is None
    before = sent[:first_on]
    for text in (
        "gate_supply :CURR 0.005,(@1)",
        "gate_supply :CURR? (@1)",
        "gate_supply :VOLT:PROT 3,(@1)",
        "gate_supply :VOLT:PROT? (@1)",
        "drain_supply :CURR 0.44,(@1)",
        "drain_supply :CURR? (@1)",
        "drain_supply :VOLT:PROT 6.5,(@1)",
        "drain_supply :VOLT:PROT? (@1)",
        "drain_supply :CURR:PROT:STAT ON,(@1)",
        "drain_supply :CURR:PROT:STAT? (@1)",
        "rf_source :POW:LIM?;:POW:LIM:STAT?",
    ):
        assert text in before


def test_a_gate_supply_never_trips_on_current(tmp_path: Path) -> None:
    """A gate that trips leaves its device without a gate while the drain is on."""
    story = run(scenario(tmp_path, QUICK))
    sent = story.sent("gate_supply")

    assert sent.index("gate_supply :CURR:PROT:STAT OFF,(@1)") < sent.index("gate_supply :OUTP ON,(@1)")
    assert sent.index("gate_supply :CURR:PROT:STAT? (@1)") < sent.index("gate_supply :OUTP ON,(@1)")


def test_the_sources_limit_is_the_highest_level_that_the_plan_asks_for(tmp_path: Path) -> None:
    """Not what the source could give: the tightest limit that lets the plan through."""
    story = run(scenario(tmp_path, QUICK))
    (limit,) = [text for text in story.sent("rf_source") if ":POW:LIM " in text]
    levels = [float(text.split()[2]) for text in story.sent("rf_source") if text.startswith("rf_source :POW ")]

    limit_dbm = float(limit.split(":POW:LIM ")[1].split()[0])
    assert 0 <= limit_dbm - max(levels) < 0.011


@pytest.mark.parametrize("swallowed", [b":VOLT:PROT 6.5", b":CURR:PROT:STAT ON", b":CURR 0.44", b":CURR 0.005", b":VOLT:PROT 3,"])
def test_a_protection_that_does_not_read_back_stops_the_run_before_power(tmp_path: Path, swallowed: bytes) -> None:
    """A protection that was only asked for is none."""
    supply = "gate_supply" if swallowed in (b":CURR 0.005", b":VOLT:PROT 3,") else "drain_supply"
    story = run(scenario(tmp_path, QUICK), Fault(supply, hears=lambda message, _: None if swallowed in message else message))

    assert isinstance(story.error, ProtectionError)
    assert supply in str(story.error)
    assert "the part is unpowered" in str(story.error)
    assert switched_on(story) == []


def test_a_protection_declared_missing_is_an_event_and_the_run_goes_on(tmp_path: Path) -> None:
    """In so many words in the bench file: then it is a decision, and the record tells of it."""
    rated = "voltage_max: 20 V\n        current_max: 2 A"
    declared = (rated, f"{rated}\n        without_over_current: true")
    story = run(scenario(tmp_path, QUICK, bench=(declared,)))

    assert story.error is None
    said = story.event("no protection")
    assert any("drain_supply output 1" in text and "without_over_current" in text for text in said)
    assert set(story.events.loc[story.events["kind"] == "no protection", "severity"]) == {"warning"}


@pytest.mark.parametrize("supply", ["drain_supply", "gate_supply"])
def test_a_supply_that_was_switched_off_and_on_between_conditions_is_noticed_before_it_is_used(
    tmp_path: Path, supply: str
) -> None:
    """Its protections are at their widest again, and it says nothing."""
    twins: list[Twin] = []
    seen = Seen(b":OUTP OFF,(@1)")

    def cycle(count: int, t: float) -> None:
        # First: prepare; second: the end of the first condition.
        if count == 2:
            twins[0].instruments[supply].reset(t)

    seen.then = cycle
    story = run(scenario(tmp_path, TWICE), Fault("gate_supply", hears=seen, act=twins.append))

    assert isinstance(story.error, ProtectionError)
    assert supply in str(story.error)
    assert "was the supply switched off and on" in str(story.error)
    assert len(story.ladders) == 2
    assert len([text for text in switched_on(story) if "drain_supply" in text]) == 1
    assert story.abuses == []


def test_a_source_that_lost_its_level_limit_is_noticed_before_the_next_bias_up(tmp_path: Path) -> None:
    """As for the supplies."""
    twins: list[Twin] = []
    seen = Seen(b":OUTP OFF,(@1)", then=lambda count, t: twins[0].instruments["rf_source"].reset(t) if count == 2 else None)
    story = run(scenario(tmp_path, TWICE), Fault("gate_supply", hears=seen, act=twins.append))

    assert isinstance(story.error, ProtectionError)
    assert "rf_source: level limit reads back" in str(story.error)
    assert story.abuses == []


def test_an_output_that_somebody_else_switched_on_is_noticed_before_the_gate_is(tmp_path: Path) -> None:
    """A drain that is on before its gate; and whoever switched it on is at the bench."""
    story = run(
        scenario(tmp_path, QUICK),
        Fault("", act=_switch_on_by_hand),
    )

    assert isinstance(story.error, InstrumentError)
    assert "drain A" in str(story.error)
    assert "did not switch it on" in str(story.error)
    assert switched_on(story) == []


def _switch_on_by_hand(twin: Twin) -> None:
    """When the switch turns to the channel, somebody presses the drain supply's button."""
    supply = twin.instruments["drain_supply"]
    port = supply.open_port()

    def hears(message: bytes, t: float) -> bytes:
        if b"CLOS (" in message:
            port.write(b":OUTP ON,(@1)\n", t, end=False)
        return message

    twin.instruments["rf_switch"].hears = hears


def test_a_trip_during_bias_up_is_told_as_one(tmp_path: Path) -> None:
    """The supply switched the drain off by itself: the message says so, and not only that a voltage is missing."""
    seen = Seen(b":VOLT -0.")
    twins: list[Twin] = []

    def trip(count: int, _: float) -> None:
        if count == 1:
            port = twins[0].world.ports.supplies["drain_supply", 1]  # type: ignore[attr-defined]  # the twin's own world
            port.over_voltage_v = 1.0
            twins[0].world.supply_protection("drain_supply", 1, over_voltage_v=1.0, over_current=True)

    seen.then = trip
    story = run(scenario(tmp_path, QUICK), Fault("gate_supply", hears=seen, act=twins.append))

    assert isinstance(story.error, InstrumentError)
    assert "protection has tripped" in str(story.error)
    assert story.abuses == []
