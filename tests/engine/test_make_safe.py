"""Make safe when instruments misbehave: the drain comes off whatever another does, and everything that failed is told."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from benchkit.bench.open import OpenBench, open_bench
from benchkit.clock import VirtualClock
from benchkit.errors import InstrumentError, LinkError, LinkTimeout, MakeSafeError, RecordError
from benchkit.link import LinkLog
from sim_instruments.instruments.port import Reply
from sim_instruments.twin import Twin
from tests.engine.story import QUICK, Fault, Seen, Story, run, scenario
from tests.scenario import BENCH

# With the source silent its two attempts of the first round come first; longer than this nothing keeps the drain on.
DRAIN_WITHIN_S = 1.0


class FromLevel:
    """Something begins at the n-th drive level."""

    def __init__(self, number: int) -> None:
        self.is_on = False
        self._number = number
        self._count = 0

    def watch(self, message: bytes, t: float) -> bytes:
        if message.startswith(b":POW ") or b":POW " in message:
            self._count += 1
            self.is_on = self.is_on or self._count >= self._number
        return message

    def silence(self, reply: Reply) -> Reply | None:
        return None if self.is_on else reply


def off_after(story: Story, instrument: str, text: str, begin_s: float) -> float:
    return next(t for t in story.when(instrument, text) if t >= begin_s) - begin_s


def timed_out_at(story: Story, instrument: str) -> float:
    """When the run noticed: its link dropped the connection."""
    return next(t for t, name, way, text in story.log if name == instrument and way == "!" and "dropped" in text)


def test_a_source_that_does_not_answer_does_not_keep_the_drain_on(tmp_path: Path) -> None:
    """The drain off protects the part whatever the source does; it is told that the source was not verified."""
    start = FromLevel(4)
    story = run(scenario(tmp_path, QUICK), Fault("rf_source", hears=start.watch, says=start.silence))

    assert isinstance(story.error, LinkTimeout)
    assert off_after(story, "drain_supply", "OUTP OFF,(@1)", timed_out_at(story, "rf_source")) < DRAIN_WITHIN_S
    assert [text for text in story.unsafe if text.startswith("RF off (rf_source)")]
    assert len(story.unsafe) == 1
    assert "switch RF off at rf_source itself" in story.unsafe[0]
    assert story.when("gate_supply", "OUTP OFF,(@1)")


def test_a_source_that_ignores_commands_is_told_and_the_rest_is_safe(tmp_path: Path) -> None:
    """It says that RF is on: believed. The drain comes off all the same."""
    story = run(
        scenario(tmp_path, QUICK),
        Fault("rf_source", hears=lambda message, t: b"*CLS" if message == b":OUTP OFF" and t > 0.01 else message),
    )

    assert isinstance(story.error, InstrumentError)
    assert "RF reads on" in str(story.error)
    assert len(story.unsafe) == 1
    assert "RF reads on after it was switched off" in story.unsafe[0]
    assert story.when("drain_supply", "OUTP OFF,(@1)")
    assert story.when("gate_supply", "OUTP OFF,(@1)")


def test_a_gate_whose_drain_cannot_be_verified_off_is_held_at_pinch_off(tmp_path: Path) -> None:
    """Taking the gate away would open the channel to all that the drain supply gives."""
    start = FromLevel(4)
    story = run(
        scenario(tmp_path, QUICK),
        Fault("rf_source", hears=start.watch),
        Fault("drain_supply", says=start.silence),
    )

    begin_s = timed_out_at(story, "drain_supply")
    assert isinstance(story.error, LinkTimeout)
    assert off_after(story, "rf_source", ":OUTP OFF", begin_s) < 0.1
    assert off_after(story, "gate_supply", ":VOLT -2.5,(@1)", begin_s) < 2.5
    assert not [t for t in story.when("gate_supply", "OUTP OFF,(@1)") if t > begin_s]
    assert any("drain A off (drain_supply output 1)" in text and "may be ON" in text for text in story.unsafe)
    assert any("gate A left on at -2.5 V" in text and "switch that off first" in text for text in story.unsafe)
    assert not any("gate removed" in abuse for abuse in story.abuses)


def test_several_links_lost_are_all_told_and_what_can_be_reached_is_off(tmp_path: Path) -> None:
    """A switch that fails takes several instruments along."""
    start = FromLevel(4)
    twins: list[Twin] = []

    def watch(message: bytes, t: float) -> bytes:
        start.watch(message, t)
        if start.is_on:
            for name in ("rf_source", "gate_supply", "output_meter"):
                twins[0].instruments[name].is_reachable = False
        return message

    story = run(scenario(tmp_path, QUICK), Fault("rf_source", hears=watch, act=twins.append))

    assert isinstance(story.error, LinkError)
    assert story.when("drain_supply", "OUTP OFF,(@1)")
    said = "\n".join(story.unsafe)
    assert "RF off (rf_source)" in said
    assert "gate A off (gate_supply output 1)" in said
    assert "drain A" not in said


def test_a_drain_that_is_off_and_does_not_fall_keeps_its_gate(tmp_path: Path) -> None:
    """Something charged feeds it: the state of the output is not the voltage at the part."""
    fallen = Seen(b":OUTP OFF,(@1)")

    def says(reply: Reply) -> Reply:
        if fallen.count > 1 and reply.data.count(b"E") == 2:
            return Reply(b"+3.00000000000E+00;+0.00000000000E+00\n", reply.ready_at)
        return reply

    story = run(scenario(tmp_path, QUICK), Fault("drain_supply", hears=fallen, says=says))

    assert any("off but reads 3 V" in text for text in story.unsafe)
    assert any("touch nothing until a voltmeter" in text for text in story.unsafe)


def test_a_full_disk_stops_the_run_and_not_the_making_safe(tmp_path: Path) -> None:
    """The record is worth less than the part."""
    rows = []

    def fails(stream: str) -> bool:
        rows.append(stream)
        return rows.count("points") >= 4

    story = run(scenario(tmp_path, QUICK), sink_fails=fails)

    assert isinstance(story.error, RecordError)
    assert story.unsafe == ()
    assert story.abuses == []
    assert story.when("drain_supply", "OUTP OFF,(@1)")


def test_a_wall_is_told_even_if_the_record_fails_just_then(tmp_path: Path) -> None:
    """Why the run stopped must not be hidden by what failed after it."""
    start = FromLevel(3)

    def says(reply: Reply) -> Reply:
        return Reply(b"+6.0E+00;+4.9E-01\n", reply.ready_at) if start.is_on and reply.data.count(b"E") == 2 else reply

    story = run(
        scenario(tmp_path, QUICK),
        Fault("rf_source", hears=start.watch),
        Fault("drain_supply", says=says),
        sink_fails=lambda stream: start.is_on and stream in ("points", "ladders"),
    )

    assert "above the limit" in str(story.error)


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[OpenBench]:
    clock = VirtualClock()
    bench = load_bench(BENCH)
    log = LinkLog(tmp_path / "links.log", clock)
    yield open_bench(bench, clock, library="twin", library_options={"bench": bench}, link_log=log)
    log.close()


def test_a_blocked_reading_blocks_nothing(opened: OpenBench, tmp_path: Path) -> None:
    """The way to the instrument must not be stuck behind an answer that nobody collects."""
    opened.prepare()
    opened.hold_gate_v = -2.5
    opened.supply("drain_supply").arm((1, 2))
    opened.supply("gate_supply").arm((1, 2))

    opened.make_safe()

    log = (tmp_path / "links.log").read_text()
    assert "connection dropped: abandoned" in log
    assert log.rindex("drain_supply\t>\t:OUTP OFF,(@2)") < log.rindex("gate_supply\t>\t:OUTP OFF,(@1)")
    opened.close()


def test_make_safe_may_be_called_by_every_exit_again_and_again(opened: OpenBench) -> None:
    """Engine, campaign, close and guardian all call it."""
    for _ in range(3):
        opened.make_safe()
    opened.close()
    opened.close()


def test_waits_are_short_only_while_making_safe() -> None:
    """Afterwards a slow answer is waited for as the bench file says."""
    clock, bench = VirtualClock(), load_bench(BENCH)
    slow = Fault("chamber", says=lambda reply: Reply(reply.data, reply.ready_at + (4.0 if clock.monotonic() > 1 else 0.0)))
    opened = open_bench(bench, clock, library="twin", library_options={"bench": bench, "faults": (slow,)})
    opened.make_safe()
    clock.sleep(2.0)
    chamber = opened.chamber("chamber")

    assert 10.0 < chamber.measure_air() < 40.0

    opened.idle_temperature_degc = 25.0
    with pytest.raises(MakeSafeError, match="chamber to idle"):
        opened.make_safe()
    opened.close()


def test_every_failure_is_listed_with_what_to_do() -> None:
    """At three in the morning the message is all there is."""
    clock, bench = VirtualClock(), load_bench(BENCH)
    twins: list[Twin] = []
    options = {"bench": bench, "faults": (Fault("", act=twins.append),)}
    opened = open_bench(bench, clock, library="twin", library_options=options)
    opened.hold_gate_v, opened.idle_temperature_degc = -2.5, 25.0
    for instrument in twins[0].instruments.values():
        instrument.is_reachable = False

    with pytest.raises(MakeSafeError) as told:
        opened.make_safe()

    said = told.value.failures
    assert [text.split(":")[0] for text in said] == [
        "RF off (rf_source)",
        "drain A off (drain_supply output 1)",
        "drain B off (drain_supply output 2)",
        "gate A may not be held at -2.5 V (gate_supply output 1)",
        "gate B may not be held at -2.5 V (gate_supply output 2)",
        "chamber to idle at +25 °C (chamber)",
    ]
    assert all("itself" in text or "do not switch it off before" in text for text in said)
    opened.release()
