"""The chamber: temperatures lost, limits from both sides, never left at an extreme, and warm before it is opened."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from benchkit.errors import ConditionError, FileError, LimitError
from benchkit.sequence.load import load_sequence
from sim_instruments.instruments.port import Reply
from tests.engine.story import Change, Fault, Story, run, scenario

# A ladder of a minute: few points, and a source that takes its time.
LONG: Change = ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: -12 dBm, to: 0 dBm, step: 0.2 dB}")
SLOW: Change = ("settling_time: 5 ms", "settling_time: 1 s")
SOAK = "soak: {tolerance: 1 K, in_tolerance_for: 1 min, drift_max: 0.5 K/min, at_most: 60 min}"


def at(values: str, *lines: str, more: tuple[Change, ...] = ()) -> tuple[Change, ...]:
    text = "\n    ".join(["  supply_voltage: 6 V\n  temperature:", f"values: {values}", SOAK, *lines])
    return (("  supply_voltage: 6 V", text), *more)


COLD = at("[-10 degC]", "idle: 25 degC")


class Air:
    """Adds to what the chamber says of its air: `by(seconds since the first RF on) -> kelvins`."""

    def __init__(self, by: Callable[[float], float]) -> None:
        self.by, self.begun_s, self.now_s = by, -1.0, 0.0
        self.faults = (Fault("rf_source", hears=self._driven), Fault("chamber", says=self._says, hears=self._time))

    def _driven(self, message: bytes, t: float) -> bytes:
        if message == b":OUTP ON" and self.begun_s < 0:
            self.begun_s = t
        return message

    def _time(self, message: bytes, t: float) -> bytes:
        self.now_s = t
        return message

    def _says(self, reply: Reply) -> Reply:
        if self.begun_s < 0 or b"E" not in reply.data or b";" in reply.data or b"," in reply.data:
            return reply
        degc = float(reply.data) + self.by(self.now_s - self.begun_s)
        return Reply(f"{degc:.4f}\n".encode(), reply.ready_at)


def idle_at_the_end(story: Story) -> float:
    (last,) = [float(text.split()[2]) for text in story.sent("chamber") if ":TEMP:SPO" in text][-1:]
    return last


def test_air_that_leaves_its_tolerance_and_comes_back_is_two_events(tmp_path: Path) -> None:
    """Once per excursion; the points in between stay, and whoever judges them can see why."""
    air = Air(lambda s: 2.0 if 15 < s < 40 else 0.0)
    story = run(scenario(tmp_path, at("[25 degC]", "idle: 25 degC", more=(LONG,)), (SLOW,)), *air.faults)

    assert story.error is None
    (off,) = story.event("temperature off")
    (back,) = story.event("temperature back")
    assert "more than 1 K off +25 °C" in off
    assert "back within ± 1 K" in back
    assert "at worst" in back


def test_a_temperature_that_is_lost_for_the_stated_time_ends_the_run(tmp_path: Path) -> None:
    """The bench let us down: the message says where the air stands and for how long; the chamber goes to idle."""
    air = Air(lambda s: 6.0 if s > 10 else 0.0)
    changes = at("[50 degC]", "idle: 25 degC", "lost: {beyond: 5 K, for: 30 s}", more=(LONG,))
    story = run(scenario(tmp_path, changes, (SLOW,)), *air.faults)

    assert isinstance(story.error, ConditionError)
    assert "has lost +50 °C" in str(story.error)
    assert "more than 5 K off for 3" in str(story.error)
    assert "conditions.temperature.lost" in str(story.error)
    assert story.points["tripped"].iloc[-1] == 1
    assert idle_at_the_end(story) == 25
    assert story.abuses == []


def test_a_short_loss_does_not_end_the_run(tmp_path: Path) -> None:
    """A door opened for a moment is an event, not the end of a night."""
    air = Air(lambda s: 6.0 if 10 < s < 25 else 0.0)
    changes = at("[25 degC]", "idle: 25 degC", "lost: {beyond: 5 K, for: 30 s}", more=(LONG,))
    story = run(scenario(tmp_path, changes, (SLOW,)), *air.faults)

    assert story.error is None
    assert len(story.event("temperature off")) == 1


@pytest.mark.parametrize(
    ("by", "bench", "source"),
    [
        (70.0, (), "kd14_short.yaml: limits.temperature_max"),
        (-70.0, (), "kd14_short.yaml: limits.temperature_min"),
        (60.0, (("temperature_max: 130 degC", "temperature_max: 80 degC"),), "kd14.yaml: instruments.chamber.temperature_max"),
    ],
)
def test_air_beyond_the_devices_or_the_chambers_limit_ends_the_run(
    tmp_path: Path, by: float, bench: tuple[Change, ...], source: str
) -> None:
    """Whichever is narrower, and the message says whose it was."""
    air = Air(lambda s: by if s > 5 else 0.0)
    story = run(scenario(tmp_path, at("[25 degC]", "idle: 25 degC", more=(LONG,)), (SLOW, *bench)), *air.faults)

    assert isinstance(story.error, LimitError)
    assert story.error.source == source
    assert idle_at_the_end(story) == 25


def test_the_chambers_own_limits_are_the_narrower_of_both_and_read_back(tmp_path: Path) -> None:
    """Independent of this computer: the chamber gives up by itself."""
    story = run(scenario(tmp_path, COLD, (("temperature_max: 130 degC", "temperature_max: 80 degC"),)))
    sent = story.sent("chamber")

    assert "chamber :TEMP:PROT:LOW -40;:TEMP:PROT:HIGH 80" in sent
    assert sent.index("chamber :TEMP:PROT:LOW?;:TEMP:PROT:HIGH?") < sent.index("chamber :OUTP ON")


def test_a_case_sensor_that_reads_no_number_ends_the_run(tmp_path: Path) -> None:
    """Without it nobody knows how warm the part is."""
    story = run(
        scenario(tmp_path, COLD),
        Fault("case_voltmeter", says=lambda r: Reply(b"9.91E+37\n", r.ready_at) if r.data.startswith(b"+1.") else r),
    )

    assert story.error is not None
    assert "case sensor reads nan ohm" in str(story.error)
    assert idle_at_the_end(story) == 25


def test_a_chamber_that_does_not_arrive_says_where_it_stands(tmp_path: Path) -> None:
    """The wait is bounded by what the ramp should take."""
    story = run(
        scenario(tmp_path, COLD), Fault("chamber", hears=lambda message, _: b"*CLS" if message == b":OUTP ON" else message)
    )

    assert isinstance(story.error, ConditionError)
    assert "stands at +2" in str(story.error)
    assert "sent to -10 °C" in str(story.error)
    assert "The part is unpowered" in str(story.error)


def test_a_soak_that_takes_too_long_says_what_it_waits_for(tmp_path: Path) -> None:
    """Air or case, how far it got, and the key that bounds it."""
    old, new = "drift_max: 0.5 K/min, at_most: 60 min", "drift_max: 0.001 K/min, at_most: 5 min"
    impatient = tuple((before, after.replace(old, new)) for before, after in COLD)
    story = run(scenario(tmp_path, impatient))

    assert isinstance(story.error, ConditionError)
    assert "not done after 5 min" in str(story.error)
    assert "still drifts by" in str(story.error)
    assert "conditions.temperature.soak.at_most" in str(story.error)


WARM = at("[-10 degC]", "idle: 25 degC", "warm_before_opening: {ambient: 23 degC, humidity: 50 %, margin: 3 K}")


def test_a_run_that_ends_cold_waits_until_the_case_is_above_the_dew_point(tmp_path: Path) -> None:
    """The room's water would condense on the part; 23 °C and 50 % have their dew point at 12.0 °C."""
    story = run(scenario(tmp_path, WARM))

    assert story.error is None
    (said,) = story.event("may be opened")
    assert "above +15.0 °C (dew point + 3 K)" in said
    assert story.chamber["case_degc"].iloc[-1] >= 14.9
    assert story.chamber["set_degc"].iloc[-1] == 25
    # Off before the wait, and the chamber on its way; not after it.
    done_s = story.events.loc[story.events["kind"] == "done", "time_s"].iloc[0]
    opened_s = story.events.loc[story.events["kind"] == "may be opened", "time_s"].iloc[0]
    assert opened_s - done_s > 120
    for instrument, text in (("drain_supply", ":OUTP OFF,(@1)"), ("chamber", ":TEMP:SPO 25")):
        assert any(0 <= t - (done_s - story.start_s) < 5 for t in story.when(instrument, text))
    assert story.event("do not open yet") == []


def test_the_wait_before_opening_is_bounded_and_says_so(tmp_path: Path) -> None:
    """A night that is done must end; but it must not say that the chamber may be opened."""
    hasty = tuple((old, new.replace("margin: 3 K}", "margin: 3 K, at_most: 2 min}")) for old, new in WARM)
    story = run(scenario(tmp_path, hasty))

    assert story.error is None
    assert story.event("may be opened") == []
    (said,) = story.event("do not open yet")
    assert "still at -" in said
    assert "+15.0 °C" in said


def test_a_run_that_ends_warm_does_not_wait(tmp_path: Path) -> None:
    """Nothing condenses on what is warmer than the dew point."""
    warm = at("[-10 degC, 25 degC]", "idle: 25 degC", "warm_before_opening: {dew_point: 12 degC}")
    story = run(scenario(tmp_path, warm))

    (said,) = story.event("may be opened")
    assert "after" not in said


def test_a_run_that_is_stopped_cold_says_not_to_open_yet(tmp_path: Path) -> None:
    """It does not wait; but whoever comes running to a stopped run opens the door first."""
    story = run(
        scenario(tmp_path, WARM),
        Fault("rf_source", hears=lambda message, t: b"*CLS" if message == b":OUTP OFF" and t > 0.1 else message),
    )

    assert story.error is not None
    (said,) = story.event("do not open yet")
    assert "when the run ended" in said
    assert idle_at_the_end(story) == 25


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("warm_before_opening: {margin: 3 K}", "expected dew_point, or ambient and humidity"),
        ("warm_before_opening: {dew_point: 12 degC, ambient: 23 degC}", "expected dew_point, or ambient and humidity"),
        ("warm_before_opening: {ambient: 23 degC}", "expected dew_point, or ambient and humidity"),
        ("warm_before_opening: {ambient: 75 degC, humidity: 20 %}", "outside -45 °C to 60 °C"),
        ("warm_before_opening: {dew_point: 24 degC}", "the case would never be warm"),
        ("lost: {beyond: 0.5 K, for: 1 min}", "would count as lost"),
    ],
)
def test_what_cannot_be_is_told_before_the_run(tmp_path: Path, line: str, said: str) -> None:
    """At six in the evening, not at the end of the night."""
    with pytest.raises(FileError, match=said):
        load_sequence(scenario(tmp_path, at("[25 degC]", "idle: 25 degC", line)))
