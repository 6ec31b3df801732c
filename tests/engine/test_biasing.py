"""The bias machine on the twin: order up and down, stages, shared drains, both modes, and the trim's bounds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchkit.bench.load import load_bench
from benchkit.bench.open import open_bench
from benchkit.clock import VirtualClock
from benchkit.engine.bias import TABLE_MARKS, BiasState, transition_table_markdown
from benchkit.engine.biasing import Biaser
from benchkit.engine.hookup import hook_up
from benchkit.engine.protections import Protections
from benchkit.engine.walls import Walls
from benchkit.errors import BiasOrderError, ConditionError, InstrumentError
from benchkit.link import LinkLog
from benchkit.sequence.load import load_sequence
from sim_instruments.instruments.port import Reply
from tests.engine.story import QUICK, Fault, Story, run, scenario
from tests.scenario import BENCH, ROOT

POWER = ("rf_source", "drain_supply", "gate_supply")
A_DRAIN, A_GATE = "drain: {supply: drain_supply, channel: 1}", "gate: {supply: gate_supply, channel: 1}"
B_DRAIN = "drain: {supply: drain_supply, channel: 2}"
_BENCH = (ROOT / "sequences" / "benches" / "kd14.yaml").read_text(encoding="utf-8")
WITHOUT_B = (_BENCH[_BENCH.index("    B:\n") : _BENCH.index("\ntwin:")], "")
BOTH_GATES = "gate: [{supply: gate_supply, channel: 1}, {supply: gate_supply, channel: 2}]"
# Channel A as a part of two stages. The twin has its bench file unchanged: the second stage is its channel B.
STAGES = (
    WITHOUT_B,
    (A_DRAIN, "drain: [{supply: drain_supply, channel: 1, share: 40 %}, {supply: drain_supply, channel: 2, share: 60 %}]"),
    (A_GATE, BOTH_GATES),
)
SUM = (
    WITHOUT_B,
    (A_DRAIN, "drain: [{supply: drain_supply, channel: 1}, {supply: drain_supply, channel: 2}]"),
    (A_GATE, BOTH_GATES),
)
# Two device channels draw twice what one does.
QUIET = (*QUICK, ("dissipation_max: 3 W", "dissipation_max: 6 W"))


def positions(story: Story, *texts: str) -> list[int]:
    """Where these messages stand for the first time."""
    sent = story.sent(*POWER)
    return [sent.index(text) for text in texts]


def test_up_is_gate_drain_rf_and_down_is_rf_drain_gate(tmp_path: Path) -> None:
    """A depletion-mode amplifier dies in milliseconds if its drain comes on before its gate."""
    story = run(scenario(tmp_path, QUICK))
    sent = story.sent(*POWER)

    up = positions(
        story,
        "gate_supply :VOLT -2.5,(@1)",
        "gate_supply :OUTP ON,(@1)",
        "gate_supply :MEAS:VOLT? (@1);:MEAS:CURR? (@1)",
        "drain_supply :OUTP ON,(@1)",
        "drain_supply :VOLT 1.5,(@1)",
        "drain_supply :VOLT 6,(@1)",
        "rf_source :OUTP ON",
    )
    assert up == sorted(up)
    ended = sent[up[-1] :]
    down = [
        ended.index(text)
        for text in (
            "rf_source :OUTP OFF",
            "rf_source :OUTP?;*IDN?",
            "gate_supply :VOLT -2.5,(@1)",
            "drain_supply :VOLT 0,(@1)",
            "drain_supply :OUTP OFF,(@1)",
            "drain_supply :OUTP? (@1);*IDN?",
            "gate_supply :OUTP OFF,(@1)",
        )
    ]
    assert down == sorted(down)
    assert story.error is None
    assert story.abuses == []


def test_gate_steps_are_bounded_and_the_quiescent_current_is_met_within_its_tolerance(tmp_path: Path) -> None:
    """A gate that jumps opens the channel before anybody can look."""
    story = run(scenario(tmp_path, (*QUICK, ("  tolerance: 2 mA", "  tolerance: 1 mA\n  gate_step_max: 40 mV"))))
    set_v = [float(text.split()[2].split(",")[0]) for text in story.sent("gate_supply") if " :VOLT -" in text]
    upwards = np.diff(set_v)

    assert upwards.max() <= 0.04 + 1e-9
    assert abs(story.bias.iloc[0]["drain_current_a"] - 0.220) <= 0.001 + 0.001  # tolerance, and the supply's noise


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ((("gate_to: -0.3 V", "gate_to: -1.2 V"),), "bias.gate_to"),
        ((("gate_from: -1.6 V", "gate_from: -0.5 V"),), "bias.gate_from"),
        ((("  tolerance: 2 mA", "  tolerance: 1 uA"),), "bias.tolerance"),
    ],
)
def test_a_quiescent_current_that_is_not_met_says_where_it_stood_and_which_key_to_look_at(
    tmp_path: Path, changes: tuple[tuple[str, str], ...], said: str
) -> None:
    """The search is bounded; what it ends with is told, and the part is taken down."""
    story = run(scenario(tmp_path, (*QUICK, *changes)))

    assert isinstance(story.error, ConditionError)
    assert said in str(story.error)
    assert "mA" in str(story.error)
    assert story.unsafe == ()
    assert story.abuses == []


def test_hold_voltage_trims_once_and_keeps_the_gate_after_that(tmp_path: Path) -> None:
    """Then the current shows what temperature and time do to the part."""
    changes = (
        *QUICK,
        ("  settling_time: 20 ms", "  settling_time: 20 ms\n  retrim: hold voltage"),
        ("  supply_voltage: 6 V", TEMPERATURES),
    )
    story = run(scenario(tmp_path, changes))
    up = story.bias[story.bias["state"] == "biased"]

    assert story.error is None
    assert list(up["steps"] > 0) == [True, False]
    assert up["gate_voltage_v"].iloc[0] == pytest.approx(up["gate_voltage_v"].iloc[1], abs=0.002)
    assert abs(up["drain_current_a"].iloc[1] - 0.220) > 0.002


TEMPERATURES = """  supply_voltage: 6 V
  temperature:
    values: [25 degC, 50 degC]
    soak: {tolerance: 1 K, in_tolerance_for: 1 min, at_most: 60 min}
    idle: 25 degC"""


def test_hold_current_trims_again_at_each_temperature(tmp_path: Path) -> None:
    """The other convention: same current, another gate."""
    story = run(scenario(tmp_path, (*QUICK, ("  supply_voltage: 6 V", TEMPERATURES))))
    up = story.bias[story.bias["state"] == "biased"]

    assert all(up["steps"] > 0)
    assert np.allclose(up["drain_current_a"], 0.220, atol=0.003)
    assert abs(np.diff(up["gate_voltage_v"])[0]) > 0.01


def test_all_gates_are_at_pinch_off_before_any_drain_and_drains_follow_in_their_order(tmp_path: Path) -> None:
    """One stage that conducts early is as dead as a whole part."""
    story = run(scenario(tmp_path, QUIET, bench=SUM), twin_bench=BENCH)

    order = positions(
        story,
        "gate_supply :OUTP ON,(@1)",
        "gate_supply :OUTP ON,(@2)",
        "gate_supply :MEAS:VOLT? (@1);:MEAS:CURR? (@1);:MEAS:VOLT? (@2);:MEAS:CURR? (@2)",
        "drain_supply :OUTP ON,(@1)",
        "drain_supply :VOLT 6,(@1)",
        "drain_supply :OUTP ON,(@2)",
        "drain_supply :VOLT 6,(@2)",
    )
    assert order == sorted(order)
    sent = story.sent(*POWER)
    down = sent[sent.index("rf_source :OUTP ON") :]
    assert (
        down.index("drain_supply :OUTP OFF,(@2)")
        < down.index("drain_supply :OUTP OFF,(@1)")
        < down.index("gate_supply :OUTP OFF,(@1)")
    )
    assert story.error is None
    assert story.abuses == []


def test_without_shares_the_sum_is_trimmed_and_all_gates_move_together(tmp_path: Path) -> None:
    """What the bench file says of shares decides; this is its default."""
    story = run(scenario(tmp_path, QUIET, bench=SUM), twin_bench=BENCH)
    first = story.pins[story.pins["point"] == 0].set_index("pin")

    assert story.points["drain_current_a"].iloc[0] == pytest.approx(0.220, abs=0.003)
    assert first["current_a"][["drain 1 of A", "drain 2 of A"]].sum() == pytest.approx(story.points["drain_current_a"].iloc[0])
    assert first["voltage_v"]["gate 1 of A"] == pytest.approx(first["voltage_v"]["gate 2 of A"], abs=0.005)


def test_with_shares_every_gate_is_trimmed_for_its_own_drain(tmp_path: Path) -> None:
    """A driver and a final stage have quiescent currents of their own."""
    story = run(scenario(tmp_path, QUIET, bench=STAGES), twin_bench=BENCH)
    first = story.pins[story.pins["point"] == 0].set_index("pin")

    assert story.error is None
    assert first["current_a"]["drain 1 of A"] == pytest.approx(0.4 * 0.220, abs=0.003)
    assert first["current_a"]["drain 2 of A"] == pytest.approx(0.6 * 0.220, abs=0.003)
    limits = [text for text in story.sent("drain_supply") if " :CURR 0" in text]
    assert limits == ["drain_supply :CURR 0.176,(@1)", "drain_supply :CURR 0.264,(@2)"]
    dc_w = (first["voltage_v"] * first["current_a"])[["drain 1 of A", "drain 2 of A"]].sum()
    point = story.points.iloc[0]
    assert point["drain_voltage_v"] * point["drain_current_a"] == pytest.approx(dc_w, rel=1e-9)


def test_a_stage_with_a_voltage_of_its_own_gets_it_and_a_protection_near_it(tmp_path: Path) -> None:
    """A 4 V driver beside a 6 V final stage must not be guarded by the final stage's limit."""
    own = (WITHOUT_B, (SUM[1][0], SUM[1][1].replace("channel: 1}", "channel: 1, voltage: 4 V}")), SUM[2])
    story = run(scenario(tmp_path, QUIET, bench=own), twin_bench=BENCH)
    sent = story.sent("drain_supply")

    assert story.error is None
    assert "drain_supply :VOLT 4,(@1)" in sent
    assert "drain_supply :VOLT 6,(@1)" not in sent
    assert "drain_supply :VOLT:PROT 4.4,(@1)" in sent
    assert "drain_supply :VOLT:PROT 6.5,(@2)" in sent


SHARED = ((B_DRAIN, "drain: {supply: drain_supply, channel: 1}"),)
BOTH = (*QUICK, ("channels: [A]", "channels: [A, B]"))


@pytest.mark.parametrize("changes", [QUICK, BOTH], ids=["one measured", "both measured"])
def test_a_channel_on_the_same_drain_output_is_held_at_pinch_off(tmp_path: Path, changes: tuple[tuple[str, str], ...]) -> None:
    """Its drain is on whenever the other's is, whether the plan measures it or not."""
    story = run(scenario(tmp_path, changes, bench=SHARED))

    order = positions(story, "gate_supply :OUTP ON,(@1)", "gate_supply :OUTP ON,(@2)", "drain_supply :OUTP ON,(@1)")
    assert order == sorted(order)
    assert story.error is None
    assert story.abuses == []
    sent = story.sent(*POWER)
    off = [i for i, text in enumerate(sent) if text == "drain_supply :OUTP OFF,(@1)"]
    on = [i for i, text in enumerate(sent) if text == "drain_supply :OUTP ON,(@1)"]
    for begin in on:
        end = next(i for i in off if i > begin)
        assert not [text for text in sent[begin:end] if text.startswith("gate_supply :OUTP OFF")]
    assert np.allclose(story.bias.loc[story.bias["state"] == "biased", "drain_current_a"], 0.220, atol=0.004)


def test_a_held_gate_that_moves_ends_the_run(tmp_path: Path) -> None:
    """The other channel would conduct unseen: its current hides in the sum."""
    driven: list[float] = []

    def says(reply: Reply) -> Reply:
        parts = reply.data.strip().split(b";")
        if driven and len(parts) == 4:
            parts[2] = b"-1.90000000000E+00"
        return Reply(b";".join(parts) + b"\n", reply.ready_at)

    def hears(message: bytes, t: float) -> bytes:
        if message == b":OUTP ON":
            driven.append(t)
        return message

    story = run(scenario(tmp_path, QUICK, bench=SHARED), Fault("gate_supply", says=says), Fault("rf_source", hears=hears))

    assert isinstance(story.error, InstrumentError)
    assert "gate B" in str(story.error)
    assert "instead of pinch-off" in str(story.error)


def test_channels_that_share_drain_and_gate_are_refused_before_power(tmp_path: Path) -> None:
    """Neither can be held off while the other is measured."""
    story = run(scenario(tmp_path, QUICK, bench=(*SHARED, ("gate: {supply: gate_supply, channel: 2}", A_GATE))))

    assert isinstance(story.error, InstrumentError)
    assert "which share a drain output too" in str(story.error)
    assert not [text for text in story.sent(*POWER) if "OUTP ON" in text]


def test_an_enhancement_mode_part_is_biased_in_the_same_order(tmp_path: Path) -> None:
    """It needs no gate to be off, but a gate that nothing drives floats."""
    sequence = (
        *QUICK,
        ("technology: depletion", "technology: enhancement"),
        ("gate_voltage_min: -3 V", "gate_voltage_min: -0.5 V"),
        ("gate_voltage_max: 0 V", "gate_voltage_max: 2.5 V"),
        ("pinch_off: -2.5 V", "pinch_off: 0 V"),
        ("gate_from: -1.6 V", "gate_from: 0.5 V"),
        ("gate_to: -0.3 V", "gate_to: 2 V"),
    )
    bench = (("voltage_min: -5 V\n        voltage_max: 0 V", "voltage_min: 0 V\n        voltage_max: 5 V"),)
    device = (
        ("threshold: -1.6 V", "threshold: 0.6 V"),
        ("forward_voltage: 0.65 V", "forward_voltage: 4 V"),
        ("gate_voltage_min: -3.2 V", "gate_voltage_min: -0.6 V"),
        ("gate_voltage_max: 0.3 V", "gate_voltage_max: 2.6 V"),
        ("pinched_below: -2 V", "pinched_below: 0.2 V"),
    )
    story = run(scenario(tmp_path, sequence, bench, device))

    assert story.error is None
    order = positions(story, "gate_supply :OUTP ON,(@1)", "drain_supply :OUTP ON,(@1)", "rf_source :OUTP ON")
    assert order == sorted(order)
    assert story.bias.iloc[0]["drain_current_a"] == pytest.approx(0.220, abs=0.003)
    assert story.bias.iloc[0]["gate_voltage_v"] > 0.6


def test_an_illegal_transition_raises_and_sends_nothing(tmp_path: Path) -> None:
    """The machine has no such way in it, whoever asks."""
    clock, bench = VirtualClock(), load_bench(ROOT / "sequences" / "benches" / "kd14.yaml")
    sequence = load_sequence(ROOT / "sequences" / "kd14_short.yaml")
    log = LinkLog(tmp_path / "links.log", clock)
    with open_bench(bench, clock, library="twin", library_options={"bench": bench}, link_log=log) as opened:
        biaser = Biaser(hook_up(opened, "A"), sequence, clock, Walls(sequence, lambda *_: None), Protections(sequence, (), None))
        before = (tmp_path / "links.log").read_text()
        for act in (lambda: biaser.drain_on(6.0), biaser.trim, biaser.rf_on, biaser.rf_off, biaser.drain_off, biaser.gate_off):
            with pytest.raises(BiasOrderError, match="not allowed while the device is unpowered"):
                act()
        assert (tmp_path / "links.log").read_text() == before
        assert biaser.state is BiasState.UNPOWERED
    log.close()


def test_the_table_in_the_developers_page_is_the_one_in_the_code() -> None:
    """A drawing of another machine is worse than none."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = transition_table_markdown()

    assert table.count("\n") == 1 + len(BiasState)
    begin, end = TABLE_MARKS
    assert page.count(begin) == page.count(end) == 1
    assert page.split(begin)[1].split(end)[0].strip() == table
