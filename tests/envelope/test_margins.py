"""What is proved is told: the margin at every plane, where in the plan it is smallest, and what is not covered."""

from __future__ import annotations

import re
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from benchkit.cli.overview import overview, print_overview
from benchkit.envelope import Envelope, Margin, cautions, needs, prove
from benchkit.envelope.margins import Findings
from benchkit.envelope.rf import prove_rf
from benchkit.errors import FileError, MisuseError, ProofError
from benchkit.measurements.base import Ladder
from benchkit.plan import make_plan
from benchkit.plan.files import load_both
from benchkit.sequence.load import load_sequence, load_sequence_text
from tests.envelope.benches import Numbers, loaded
from tests.envelope.variants import shipped_copy
from tests.scenario import BENCH, OVERNIGHT, SHORT


def margin(envelope: Envelope, plane: str, quantity: str = "level") -> Margin:
    return next(one for one in envelope.margins if (one.plane, one.quantity) == (plane, quantity))


def _shipped() -> list[tuple[Path, Path]]:
    """Every sequence with every bench that has what it asks for: what the small bench can do, the full one can too."""
    pairs = []
    for sequence in sorted(OVERNIGHT.parent.glob("*.yaml")):
        own = load_sequence(sequence).file.bench or ""
        benches = sorted(BENCH.parent.glob("*.yaml")) if Path(own).name == BENCH.name else [sequence.parent / own]
        pairs += [(sequence, bench) for bench in benches]
    return pairs


@pytest.mark.parametrize(("sequence", "bench"), _shipped(), ids=lambda path: path.stem)
def test_the_shipped_sequences_are_accepted_with_every_margin_above_zero(sequence: Path, bench: Path) -> None:
    """They are what a new user tries first."""
    envelope = prove(*load_both(sequence, bench))

    assert len(envelope.margins) > 15
    assert all(one.margin > 0 for one in envelope.margins)
    # But for what only hands can see to: the part taken off before RF comes on.
    assert [one for one in envelope.warnings if not one.endswith("make sure that it is off")] == []


def test_margins_are_the_sums_that_one_works_out_by_hand() -> None:
    """From the file's numbers: limits of error and uncertainties added up, at the frequency where they are worst."""
    envelope = prove(*loaded(Numbers()))

    # 14.5 GHz: table row 4.0 dB +- 0.3 dB; source +0.4 dB and +0.3 dB overshoot.
    device_input = margin(envelope, "device input, channel A")
    assert device_input.worst == pytest.approx(5.0 + 0.4 + 0.3 + 0.3)
    assert device_input.margin == pytest.approx(2.0)
    assert device_input.point.frequency_hz == 14.5e9
    assert device_input.point.level_dbm == 5.0
    assert margin(envelope, "path input, at the source, channel A").worst == pytest.approx(5.0 + 4.0 + 0.7)
    # Saturated at 30 dBm; least loss at 13 GHz, 20 dB - 0.2 dB.
    meter = margin(envelope, "power meter meter, channel A")
    assert meter.worst == pytest.approx(30.0 - 19.8)
    assert meter.point.frequency_hz == 13e9
    assert margin(envelope, "drain pin, channel A", "current").worst == pytest.approx(0.4 * 1.001 + 0.001)
    heat = (6.0 * 1.0005 + 0.01) * 0.4014 + 2.502 * 5.001e-3 + 10 ** (8.0 / 10) * 1e-3
    assert margin(envelope, "drain pin, channel A", "heat").worst == pytest.approx(heat)
    assert margin(envelope, "device case", "temperature, upper").worst == pytest.approx(70 + 0.5 + 1 + 4)
    assert margin(envelope, "device case", "temperature, lower").worst == pytest.approx(20 - 0.5 - 1)


def test_a_frequency_that_is_not_measured_does_not_count() -> None:
    """The table's worst row lies between two of the plan's frequencies: the plan is judged, not the table."""
    numbers = Numbers(input_u_db=(0.1, 0.1, 3.0, 0.1), frequency="[13 GHz, 13.5 GHz, 14.5 GHz]")

    assert margin(prove(*loaded(numbers)), "device input, channel A").worst == pytest.approx(5.0 + 0.7 + 0.1)
    with pytest.raises(ProofError):
        prove(*loaded(numbers.but(frequency="[13 GHz, 14 GHz]")))


def test_an_amplifier_in_the_path_counts_with_its_highest_gain_and_no_more_than_it_saturates_at() -> None:
    """Loss -20 dB +- 4 dB: the drive may be 4 dB high, but never above the amplifier's saturated output."""
    numbers = Numbers(input_loss_db=(-20.0,) * 4, input_u_db=(4.0,) * 4, input_power_max_dbm=10.0, input_saturation_dbm=30.0)

    assert margin(prove(*loaded(numbers)), "device input, channel A").worst == pytest.approx(5.0 + 0.7 + 4.0)
    capped = prove(*loaded(numbers.but(input_saturation_dbm=7.0)))
    assert margin(capped, "device input, channel A").worst == pytest.approx(7.0)


def test_an_amplifier_before_the_meter_is_held_against_the_meter() -> None:
    """Its saturated output is what the meter has to stand."""
    numbers = Numbers(output_loss_db=(-5.0,) * 4, output_saturation_dbm=15.0)

    assert margin(prove(*loaded(numbers)), "power meter meter, channel A").worst == pytest.approx(15.0)
    with pytest.raises(ProofError, match=r"paths\.output\.saturated_power_max: missing"):
        prove(*loaded(numbers.but(output_saturation_dbm=None)))


def test_an_analyser_that_is_connected_is_protected_even_if_it_is_not_read() -> None:
    """It stands at the device's output whether or not the plan asks it anything."""
    analyser = """\
  analyser:
    role: analyser
    driver: scpi-analyser
    address: TCPIP0::192.0.2.9::5025::SOCKET
    input_max: {} dBm
    range_min: -100 dBm
    range_max: 20 dBm
    accuracy: 0.5 dB
    frequency_min: 1 GHz
    frequency_max: 20 GHz
    reading_time: 10 ms
"""
    accepted = prove(*loaded(Numbers(analyser=analyser.format(25))))

    assert margin(accepted, "analyser analyser, channel A").worst == pytest.approx(30.0 - 9.5)
    with pytest.raises(ProofError, match=r"instruments\.analyser\.input_max"):
        prove(*loaded(Numbers(analyser=analyser.format(20))))


def test_a_network_analyser_counts_only_where_the_switch_leaves_it_connected(tmp_path: Path) -> None:
    """With routes of its own it is away while a channel is driven; without, its port 2 gets what the device gives."""
    sequence = shipped_copy(tmp_path)
    bench = tmp_path / "benches" / "kd14_full.yaml"
    text = bench.read_text(encoding="utf-8")
    name, settings, rest = text.partition("  network_analyser:\n")
    weak = name + settings + re.sub(r"input_max: .*", "input_max: -10 dBm", rest, count=1)
    bench.write_text(weak, encoding="utf-8")

    prove(*load_both(sequence, bench))

    bench.write_text(weak.replace("        position: {switch: rf_switch, close: [111, 211]}\n", ""), encoding="utf-8")
    with pytest.raises(ProofError, match=r"instruments\.network_analyser\.input_max"):
        prove(*load_both(sequence, bench))


def test_a_source_limit_that_cannot_be_tight_enough_is_told() -> None:
    """10 dB more loss at one end of the band: what that end needs is too much at the other, and the plan holds all the same."""
    envelope = prove(*loaded(Numbers(input_loss_db=(3.0, 3.0, 3.0, 13.0))))

    assert len(envelope.warnings) == 1
    assert "would not keep it from bringing" in envelope.warnings[0]


def test_what_the_files_do_not_state_is_said_not_to_be_proved(tmp_path: Path) -> None:
    """An optional limit that is left out must not look like one that is kept."""
    sequence = shipped_copy(tmp_path)
    text = sequence.read_text(encoding="utf-8")
    for line in ("  dissipation_max: 3 W\n", "  temperature_ramp_max: 5 K/min\n"):
        text = text.replace(line, "")
    sequence.write_text(text, encoding="utf-8")

    envelope = prove(*load_both(sequence, None))

    said = "\n".join(envelope.not_proved)
    assert "limits.dissipation_max is not stated" in said
    assert "limits.temperature_ramp_max is not stated" in said
    assert "heat" not in {one.quantity for one in envelope.margins}


def test_protections_that_are_declared_absent_are_warned_of(tmp_path: Path) -> None:
    """Said in so many words in the bench file, repeated at every check."""
    sequence = shipped_copy(tmp_path)
    bench = tmp_path / "benches" / "kd14.yaml"
    text = bench.read_text(encoding="utf-8").replace("over_voltage_max: 24 V", "without_over_voltage: true")
    bench.write_text(text, encoding="utf-8")

    envelope = prove(*load_both(sequence, None))

    assert any("without over voltage" in warning for warning in envelope.warnings)
    assert {p.what for p in envelope.protections if not p.is_set} == {f"over-voltage of drain_supply output {n}" for n in (1, 2)}


def test_two_drains_with_shares_are_proved_together(tmp_path: Path) -> None:
    """Each output has its part of the limit; what the part draws is at most their sum."""
    sequence = shipped_copy(tmp_path)
    bench = tmp_path / "benches" / "kd14.yaml"
    one, two = "{supply: drain_supply, channel: 1", "{supply: drain_supply, channel: 2"
    text = bench.read_text(encoding="utf-8").replace(f"drain: {one}}}", f"drain: [{one}, share: 40 %}}, {two}, share: 60 %}}]")
    bench.write_text(text, encoding="utf-8")

    plan_files = load_both(sequence, None)
    envelope = prove(*plan_files)

    assert margin(envelope, "drain pin, channel A", "current").worst == pytest.approx(0.44 * 1.001 + 2 * 0.0005)
    limits = {p.what: p.setting for p in envelope.protections if "current limit and trip" in p.what}
    assert limits["current limit and trip of drain_supply output 1"] == pytest.approx(0.4 * 0.44)
    # Channel B's gate must be held off meanwhile, so its supply is needed even when only A is measured.
    used = {need.instrument: need.purpose for need in needs(envelope.plan, *(one.file for one in plan_files))}
    assert "at pinch-off, for it shares a drain output with A" in used["gate_supply"]


def test_a_kind_whose_ladders_leave_its_stated_span_is_a_fault_of_the_kind(monkeypatch: pytest.MonkeyPatch) -> None:
    """Spans decide which bands are looked at; a kind that understates them must not slip through."""
    sequence, bench = loaded(Numbers())
    plan = make_plan(sequence.file)

    def wild(_: object) -> Iterator[Ladder]:
        yield Ladder(0, 13e9, (-20.0, 0.0, 25.0))

    monkeypatch.setattr(type(plan.measurements[0]), "ladders", wild)

    with pytest.raises(MisuseError, match="lies outside"):
        prove_rf(plan, Findings(sequence, bench))


FINE = "step: 125 MHz", "step: 750 Hz"


def test_a_million_ladders_are_proved_without_walking_them() -> None:
    """30 million points: what the table says anywhere in the span stands for them, which is never less careful."""
    bench = load_bench(BENCH)
    few = load_sequence_text(OVERNIGHT.read_text(encoding="utf-8"), "few.yaml")
    many = load_sequence_text(OVERNIGHT.read_text(encoding="utf-8").replace(*FINE), "many.yaml")
    coarse = prove(few, bench)
    tracemalloc.start()
    fine = prove(many, bench)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert many.file.measurements[1].ladder_count() == 1_000_001
    assert peak_bytes < 2_000_000
    # Not walked one by one: the span stands for them.
    assert margin(fine, "device input, channel A").point.frequency_to_hz == 14.5e9
    for one in fine.margins:
        assert one.margin <= margin(coarse, one.plane, one.quantity).margin + 1e-9


def test_a_million_points_are_walked_one_by_one() -> None:
    """33,000 ladders of 30 levels: the exact frequency is named, and it is the worst of them."""
    bench = load_bench(BENCH)
    text = OVERNIGHT.read_text(encoding="utf-8").replace("step: 125 MHz", "step: 20 kHz")
    many = load_sequence_text(text, "many.yaml")
    tracemalloc.start()
    envelope = prove(many, bench)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert many.file.measurements[1].point_count() > 1_000_000
    assert peak_bytes < 8_000_000
    meter = margin(envelope, "power meter output_meter, channel A")
    path = bench.paths["output_a"]
    frequencies = list(many.file.measurements[1].frequency_hz)[::7]  # type: ignore[attr-defined]  # a compression block
    assert meter.worst >= max(30.5 - path.loss_bounds_db(hz)[0] for hz in frequencies) - 1e-9
    assert meter.worst == pytest.approx(30.5 - path.loss_bounds_db(meter.point.frequency_hz or 0.0)[0])


def test_the_overview_fits_a_hundred_columns_smallest_margin_first(capsys: pytest.CaptureFixture[str]) -> None:
    """What is read at three in the morning in a terminal beside the bench."""
    sequence, bench = load_both(OVERNIGHT, None)
    print_overview(overview(sequence, bench, prove(sequence, bench)))
    lines = capsys.readouterr().out.splitlines()

    assert max(map(len, lines)) <= 100
    start = next(index for index, line in enumerate(lines) if line.startswith("Worst case at each plane"))
    decibels = [float(line.split()[0]) for line in lines[start:] if line.lstrip()[:1].isdigit() and line.split()[1:2] == ["dB"]]
    assert decibels == sorted(decibels)
    assert len(decibels) > 8
    for heading in ("Set in the instruments and read back first", "Order of operations", "Cautions"):
        assert heading in lines or any(line.startswith(heading) for line in lines)


def test_a_name_from_a_file_is_text_and_never_markup(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A sequence called [red]... must be printed as it is called."""
    path = shipped_copy(tmp_path)
    path.write_text(path.read_text(encoding="utf-8").replace("KD14 overnight\n", "'[red]KD14[/red] [/]'\n"), encoding="utf-8")
    sequence, bench = load_both(path, None)

    print_overview(overview(sequence, bench, prove(sequence, bench)))

    assert "[red]KD14[/red] [/]" in capsys.readouterr().out


def test_cautions_name_the_hazards_of_this_very_plan() -> None:
    """Hot, cold, RF, stored charge; and that local rules come first."""
    said = "\n".join(cautions(*load_both(OVERNIGHT, None)))

    for word in ("RF", "+70 °C", "-30 °C", "Depletion mode", "Stored charge", "licensed practice"):
        assert word in said
    assert "Hot surfaces" not in "\n".join(cautions(*load_both(SHORT, None)))


def test_every_mistake_is_told_at_once() -> None:
    """One check, one list; not one mistake a night."""
    numbers = Numbers(top_dbm=9.0, supply_v=6.495, set_degc=84.0, gate_to_v=-0.001)

    with pytest.raises(FileError) as refused:
        prove(*loaded(numbers))

    keys = {mistake.key for mistake in refused.value.mistakes}
    assert keys == {
        "measurements[0].drive.to", "conditions.supply_voltage", "conditions.temperature.values[1]", "bias.gate_to",
    }  # fmt: skip
