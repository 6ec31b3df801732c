"""What the proof says will be sent is what is sent: protections, order, steps. Read off the wires of a rehearsal."""

from __future__ import annotations

import re

import pytest

from benchkit.campaign import rehearse
from benchkit.envelope import Envelope, prove
from benchkit.plan.files import load_both
from tests.scenario import BENCH, SHORT, changed

Message = tuple[str, str]
TWO_CHANNELS = ("channels: [A]\n", "channels: [A, B]\n")
THREE_LEVELS = ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: 1 dBm, to: 9 dBm, step: 4 dB}")
TWO_FREQUENCIES = ("frequency: 14.125 GHz", "frequency: [14.5 GHz, 13.8 GHz]")
IN_A_CHAMBER = (
    "  supply_voltage: 6 V",
    "  supply_voltage: 6 V\n  temperature:\n    values: [40 degC]\n    idle: 25 degC\n"
    "    soak: {tolerance: 1 K, in_tolerance_for: 1 min, at_most: 60 min}",
)


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Message], Envelope]:
    """Commands in their order, from the preparation on, and what was proved of them."""
    folder = tmp_path_factory.mktemp("rehearsed")
    sequence, bench = load_both(changed(SHORT, folder, TWO_CHANNELS, THREE_LEVELS, TWO_FREQUENCIES, IN_A_CHAMBER), BENCH)
    log = folder / "links.log"
    outcome = rehearse(sequence, bench, folder / "out.h5", link_log=log)
    assert outcome.outcome == "done"
    rows = [line.split("\t") for line in log.read_text(encoding="utf-8").splitlines()]
    commands = [(name, part) for _, name, direction, text in rows if direction == ">" for part in text.split(";")]
    return commands, prove(sequence, bench)


def numbers_after(messages: list[Message], instrument: str, pattern: str) -> set[float]:
    """Every number sent to `instrument` in a command that `pattern` finds."""
    found = (re.match(pattern, text) for name, text in messages if name == instrument)
    return {float(match[1]) for match in found if match}


def test_protections_are_sent_as_they_were_proved(rehearsed: tuple[list[Message], Envelope]) -> None:
    """A proof of other settings than those in the instruments would prove nothing."""
    messages, envelope = rehearsed
    proved = {protection.what: protection.setting for protection in envelope.protections}

    for output in (1, 2):
        for supply in ("drain_supply", "gate_supply"):
            over = numbers_after(messages, supply, rf":VOLT:PROT ([-\d.]+),\(@{output}\)")
            assert over == {proved[f"over-voltage of {supply} output {output}"]}
        drain_a = numbers_after(messages, "drain_supply", rf":CURR ([-\d.]+),\(@{output}\)")
        gate_a = numbers_after(messages, "gate_supply", rf":CURR ([-\d.]+),\(@{output}\)")
        assert drain_a == {proved[f"current limit and trip of drain_supply output {output}"]}
        assert gate_a == {proved[f"current limit of gate_supply output {output}"]}
        assert ("drain_supply", f":CURR:PROT:STAT ON,(@{output})") in messages
    assert numbers_after(messages, "rf_source", r":POW:LIM ([-\d.]+) DBM") == {proved["level limit of rf_source"]}
    for side in ("low", "high"):
        limits = numbers_after(messages, "chamber", rf":TEMP:PROT:{side.upper()} ([-\d.]+)")
        assert limits == {proved[f"{side} temperature limit of chamber"]}


def test_no_command_is_beyond_the_worst_case_that_was_proved(rehearsed: tuple[list[Message], Envelope]) -> None:
    """Every level, voltage and temperature that was sent lies within what the margins were worked out for."""
    messages, envelope = rehearsed
    worst = {(margin.plane, margin.quantity): margin.worst for margin in envelope.margins}

    levels = numbers_after(messages, "rf_source", r":POW ([-\d.]+) DBM")
    assert max(levels) <= max(worst[f"source rf_source, channel {c}", "level"] for c in "AB") + 1e-3
    assert min(levels) >= min(worst[f"source rf_source, channel {c}", "level, lower"] for c in "AB") - 1e-3
    gates = {v for v in numbers_after(messages, "gate_supply", r":VOLT ([-\d.]+),") if v != 0}
    assert min(gates) == worst["supply gate_supply, channel A", "voltage, lower"] == -2.5
    assert max(gates) <= worst["supply gate_supply, channel A", "voltage, upper"] == -0.3
    assert max(numbers_after(messages, "drain_supply", r":VOLT ([-\d.]+),")) == worst["supply drain_supply, channel A", "voltage"]
    assert numbers_after(messages, "chamber", r":TEMP:RATE ([-\d.]+)") == {worst["chamber chamber", "rate"]}


def test_the_order_is_the_one_that_was_stated(rehearsed: tuple[list[Message], Envelope]) -> None:
    """RF only on a biased part, drain only on a held gate, the switch only when all is off, no step above the largest."""
    messages, envelope = rehearsed
    assert any("at the beginning of a condition" in line for line in envelope.order)
    rf_on, drains, gates = False, set[str](), set[str]()
    gate_v: dict[str, float] = {}
    switched = steps = 0
    for name, text in messages:
        output = match[1] if (match := re.search(r"\(@(\d)\)$", text)) else ""
        is_on = text.startswith(":OUTP ON")
        if text.startswith(":OUTP O") and name == "rf_source":
            rf_on = is_on
            assert not rf_on or drains, "RF on an unbiased part"
        elif text.startswith(":OUTP O") and name == "drain_supply":
            assert not rf_on
            drains = drains | {output} if is_on else drains - {output}
            assert drains <= gates, "drain without its gate"
        elif text.startswith(":OUTP O") and name == "gate_supply":
            assert is_on or output not in drains, "gate removed under a drain"
            gates = gates | {output} if is_on else gates - {output}
        elif text.startswith(":ROUT"):
            switched += 1
            assert not rf_on
            assert not drains
            assert not gates
        elif text.startswith(":FREQ ") and name == "rf_source":
            assert not rf_on, "frequency changed while RF is on"
        elif name == "gate_supply" and (match := re.match(r":VOLT ([-\d.]+),", text)):
            if output in drains and float(match[1]) != -2.5:
                steps += 1
                assert float(match[1]) - gate_v[output] <= 0.1 + 1e-9
            gate_v[output] = float(match[1])
    assert switched >= 2
    assert steps > 10
