"""Promise: every path of the bench can be measured on the bench: that of the second source and that to the analyser as well."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import sim_instruments.hands
from benchkit.bench.load import Bench, load_bench, load_bench_text
from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.envelope import prove
from benchkit.envelope.needs import needs
from benchkit.errors import FileError, InstrumentError, LimitError, ProofError
from benchkit.measurements.path_levels import moved, spaced_wrongly
from benchkit.measurements.path_steps import steps_for
from benchkit.measurements.power_before import PathRole
from benchkit.plan.estimate import power_before_time_s
from benchkit.plan.files import load_both
from benchkit.record import Record, export_paths
from benchkit.results.path_budget import SensorMatch, device_to_analyser, device_to_meter, pooled
from benchkit.results.path_lines import PowerAccuracy
from benchkit.results.uncertainty import Budget
from benchkit.sequence.load import Sequence, load_sequence
from tests.benchmarks.truth import Tap, tapped
from tests.scenario import BENCH, ROOT, changed

PATHS = ROOT / "sequences" / "kd14_paths.yaml"
VERIFICATION = ROOT / "sequences" / "kd14_verification.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
ASKED = "paths: [input, output, second input, analyser]"
SHORT = (
    ("bench: benches/kd14_full.yaml\n", ""),
    ("{from: 13.5 GHz, to: 14.75 GHz, step: 125 MHz}", "[13.875 GHz, 14.125 GHz, 14.375 GHz]"),
    ("supply_voltage: 6 V", "channels: [A]\n  supply_voltage: 6 V"),
)
SHORTEST = ("[13.875 GHz, 14.125 GHz, 14.375 GHz]", "[13.875 GHz, 14.375 GHz]"), ("[-10 dBm, 5 dBm]", "[-10 dBm]")
ANALYSER = "analyser_a: {loss: {table: ../paths/analyser_a.csv}, power_max: 33 dBm}"
SECOND = "second_a: {loss: {table: ../paths/second_a.csv}, power_max: 27 dBm}"


@pytest.fixture(scope="module")
def full() -> Bench:
    return load_bench(FULL)


def bench_with(full: Bench, *changes: tuple[str, str], tables: dict[str, bytes] | None = None) -> Bench:
    text = full.text
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return load_bench_text(text, full.path.name, {**full.table_files, **(tables or {})}, full.path.parent)


def asked_for(folder: Path, *changes: tuple[str, str]) -> Sequence:
    return load_sequence(changed(PATHS, folder, *SHORT, *changes))


def carried_out(
    folder: Path, bench: Bench, *changes: tuple[str, str], reality: Bench | None = None, seed: int = 1
) -> CampaignOutcome:
    return rehearse(asked_for(folder, *changes), bench, folder / "record.h5", reality=reality, seed=seed)


def ledger(outcome: CampaignOutcome) -> list[object]:
    text = outcome.record.with_suffix(".ledger.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


Measured = tuple[CampaignOutcome, Tap, list[tuple[str, str]]]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory, full: Bench) -> Measured:
    """All four of one channel, an adapter on the sensor; and what went over the wires: instrument and message."""
    folder = tmp_path_factory.mktemp("measured")
    adapted = bench_with(full, ("    zero: -70 dBm\n", "    zero: -70 dBm\n    twin: {adapter_loss: 0.4 dB}\n"))
    stated = ("    repeats: 3\n", "    repeats: 3\n    adapter: {loss: 0.4 dB, uncertainty: 0.03 dB}\n")
    with tapped() as tap:
        outcome = rehearse(asked_for(folder, stated), adapted, folder / "record.h5", link_log=folder / "links.log")
    rows = [line.split("\t") for line in (folder / "links.log").read_text(encoding="utf-8").splitlines()]
    sent = [(name, part) for _, name, direction, text in rows if direction == ">" for part in text.split(";")]
    return outcome, tap, sent


def test_every_loss_lies_within_its_uncertainty_of_the_truth(measured: Measured) -> None:
    """Held against the twin's own paths; the same sensor at both ends makes it far better than a level setting's 0.4 dB."""
    outcome, tap, _ = measured
    assert (outcome.outcome, ledger(outcome)) == ("done", [])
    assert tap.world is not None
    losses = [one for one in outcome.results if one.parameter == "path_loss"]
    assert {(one.qualifier, one.plane) for one in losses} == {
        ("combined_a", "source connector to device input"),
        ("output_a", "device output to power meter"),
        ("second_a", "second source connector to device input"),
        ("analyser_a", "device output to analyser connector"),
    }
    for one in losses:
        true_db = tap.world.ports.paths[one.qualifier].loss_db(one.condition.frequency_hz or 0.0)
        assert abs(one.value - true_db) <= one.expanded_uncertainty < 0.1
        assert one.budget


def test_what_cancels_in_a_path_to_the_analyser_is_not_in_its_budget(measured: Measured) -> None:
    """Adapter and levels are in both readings; three connections, the cable's return to the analyser among them, are not."""
    outcome, _, _ = measured
    lines = {one.qualifier: {line.name for line in one.budget} for one in outcome.results if one.parameter == "path_loss"}
    assert "adapter's loss" in lines["output_a"]
    assert not any("adapter" in name or "accuracy" in name for name in lines["analyser_a"] | lines["second_a"])
    assert {"connecting, 3 x", "mismatch of sensor and analyser's cable"} <= lines["analyser_a"]
    assert {"connecting, 2 x", "mismatch of sensor and source", "scatter at the source"} <= lines["second_a"]


def test_hands_are_asked_for_the_fewest_reconnections_and_everything_is_put_back(measured: Measured) -> None:
    """At the device's plane the sensor stays for both sources, one after the other; the analyser's cable is put back too."""
    outcome, _, _ = measured
    with Record.open(outcome.record) as record:
        levels, events = record.stream("power_levels"), record.events()
    connected = [text.split(": ")[1] for text in events.loc[events["kind"] == "connected", "text"]]
    assert connected == [
        "thru in place of the device, power sensor at its own place",
        "thru in place of the device, power sensor at the analyser's end of its cable",
        "power sensor at the device's input plane",
        "power sensor at the source's connector",
        "power sensor at the second source's connector",
        "device, power sensor at its own place",
    ]
    assert list(dict.fromkeys(zip(levels["connected"], levels["driven_by"], strict=True))) == [
        ("thru", ""),
        ("sensor at analyser", ""),
        ("sensor", ""),
        ("sensor", "second source"),
        ("sensor at source", ""),
        ("sensor at second source", "second source"),
    ]


def test_never_are_two_sources_on_at_once_and_each_has_its_own_limit(measured: Measured, full: Bench, tmp_path: Path) -> None:
    """The sensor adds what it is given; and what the proof says is set in the second source is what is sent to it."""
    outcome, _, sent = measured
    on: set[str] = set()
    for name, text in sent:
        if text.startswith(":OUTP O") and name in ("rf_source", "second_source"):
            on = on | {name} if text.startswith(":OUTP ON") else on - {name}
            assert len(on) < 2
    assert outcome.outcome == "done"
    limits = {float(text.split()[1]) for name, text in sent if name == "second_source" and text.startswith(":POW:LIM ")}
    proved = {one.what: one.setting for one in prove(asked_for(tmp_path), full).protections}
    assert limits == {proved["level limit of second_source"]}
    assert 5.0 <= max(limits) < 5.02


def test_tables_of_all_paths_are_exported_and_a_later_run_has_them_in_its_record(
    measured: Measured, full: Bench, tmp_path: Path
) -> None:
    outcome, _, _ = measured
    with Record.open(outcome.record) as record:
        files = export_paths(record, tmp_path / "tables")
    assert [file.name for file in files] == ["analyser_a.csv", "combined_a.csv", "output_a.csv", "second_a.csv"]
    second = files[3].read_text(encoding="utf-8")
    for told in ("second source connector to device input", "source second_source:", "meter output_meter:", "k = 2"):
        assert told in second

    tables = {f"../paths/{file.name}": file.read_bytes() for file in files}
    later = carried_out(
        tmp_path / "later", bench_with(full, tables=tables), (ASKED, "paths: [second input, analyser]"), reality=full
    )
    assert (later.outcome, ledger(later)) == ("done", []), later.message
    with Record.open(later.record) as record:
        assert second.encode() in record.files.values()
        assert "path changed" not in set(record.events()["kind"])
        assert set(record.stream("paths")["path"]) == {"second_a", "analyser_a"}


def test_against_the_level_setting_the_second_sources_accuracy_counts(full: Bench, tmp_path: Path) -> None:
    """No sensor at a source's connector then; and one path alone is measured without the first source."""
    setting = ("reference: sensor", "reference: setting")
    outcome = carried_out(tmp_path, full, *SHORTEST, (ASKED, "paths: [second input]"), setting)
    losses = [one for one in outcome.results if one.parameter == "path_loss"]
    assert len(losses) == 2
    for one in losses:
        assert {"source's level accuracy", "power meter's accuracy"} <= {line.name for line in one.budget}
        assert one.expanded_uncertainty > 0.4
    with Record.open(outcome.record) as record:
        assert set(record.stream("power_levels")["driven_by"]) == {"second source"}


MIX_UPS = [
    ({"sensor at second source": "sensor at source"}, "outside its range"),
    ({"sensor at second source": "sensor"}, "at the second source's connector"),
    ({"sensor at analyser": "sensor"}, "analyser_a loses nothing that could be seen"),
    ({"sensor at analyser": "thru"}, "what path output_a does"),
    ({"thru": "sensor at analyser"}, "what path analyser_a does"),
]


def mixed_up(monkeypatch: pytest.MonkeyPatch, hands_do: dict[str, str]) -> None:
    as_told = sim_instruments.hands.Hands.connect
    monkeypatch.setattr(
        sim_instruments.hands.Hands, "connect", lambda self, channel, what: as_told(self, channel, hands_do.get(what, what))
    )


@pytest.mark.parametrize(("hands_do", "told"), MIX_UPS, ids=[str(one) for one, _ in MIX_UPS])
def test_a_sensor_that_is_not_where_it_was_asked_for_gives_no_table(
    full: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hands_do: dict[str, str], told: str
) -> None:
    """Hands that connect something else, or nothing: the thing before is still connected then."""
    mixed_up(monkeypatch, hands_do)
    outcome = carried_out(tmp_path, full, *SHORTEST)

    assert (outcome.exit_code, outcome.make_safe) == (3, "")
    assert told in outcome.message
    assert "nothing is put back yet" in outcome.message or told == "outside its range"
    with Record.open(outcome.record) as record:
        assert record.stream("paths").empty


def test_one_reading_for_two_paths_is_told_even_where_the_tables_are_too_rough_to_tell(
    full: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rough table refuses nothing; but two ways to two instruments do not agree to a hundredth of a decibel by themselves."""
    mixed_up(monkeypatch, {"sensor at analyser": "thru"})
    band = "frequency_min: 13 GHz, frequency_max: 15 GHz"
    rough = bench_with(full, (ANALYSER, f"analyser_a: {{loss: 25 dB, uncertainty: 8 dB, {band}, power_max: 33 dBm}}"))
    outcome = carried_out(tmp_path, rough, *SHORTEST, reality=full)

    assert outcome.outcome == "done", outcome.message
    with Record.open(outcome.record) as record:
        events = record.events().set_index("kind")["text"]
    assert "analyser_a and of output_a" in events["paths alike"]


def test_somebody_who_switches_the_first_source_on_is_noticed_before_the_second_is_read(
    full: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is read while another source is on: what is read is the sum of both wherever they meet."""
    as_told = sim_instruments.hands.Hands.connect

    def connect(self: sim_instruments.hands.Hands, channel: str, what: str) -> None:
        as_told(self, channel, what)
        if what == "sensor at second source":
            self._twin.instruments["rf_source"].open_port().write(b"OUTP ON\n", self._clock.monotonic())  # type: ignore[attr-defined]

    monkeypatch.setattr(sim_instruments.hands.Hands, "connect", connect)
    outcome = carried_out(tmp_path, full, *SHORTEST, (ASKED, "paths: [second input]"))

    assert isinstance(outcome.error, InstrumentError)
    assert "second source is to be read alone" in outcome.message
    assert outcome.make_safe == ""


def test_a_meter_that_repeats_itself_gives_no_table(full: Bench, tmp_path: Path) -> None:
    """It hangs in a second walk: the mean would be off by less than anybody could see, and the scatter would hide it."""
    sequence = asked_for(tmp_path, (ASKED, "paths: [input, output]"))
    outcome = rehearse(sequence, full, tmp_path / "record.h5", faults=("repeats:output_meter@message 330",))

    assert outcome.exit_code == 3
    assert "output_meter reads -" in outcome.message
    assert "it repeats itself" in outcome.message
    with Record.open(outcome.record) as record:
        assert record.stream("paths").empty
        assert set(record.stream("power_levels")["connected"]) == {"thru", "sensor"}


@pytest.mark.parametrize(
    ("paths", "hands_do", "told"),
    [
        ("[input, output]", "sensor", "the level of rf_source has jumped"),
        ("[input, output]", "sensor at source", "the level of rf_source has jumped"),
        ("[output]", "sensor", "reference: sensor"),
    ],
)
def test_a_source_whose_level_jumps_between_two_series_gives_no_table(
    full: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, paths: str, hands_do: str, told: str
) -> None:
    """One level, and each series as quiet as ever: a jump looks like another path, and U would be hundredths of a decibel."""
    as_told = sim_instruments.hands.Hands.connect

    def connect(self: sim_instruments.hands.Hands, channel: str, what: str) -> None:
        as_told(self, channel, what)
        if what == hands_do:
            self._twin.world.ports.sources["rf_source"].extra_db = 3.0

    monkeypatch.setattr(sim_instruments.hands.Hands, "connect", connect)
    outcome = carried_out(tmp_path, full, *SHORTEST, (ASKED, f"paths: {paths}"))

    assert (outcome.exit_code, outcome.make_safe) == (3, "")
    assert told in outcome.message
    with Record.open(outcome.record) as record:
        assert record.stream("paths").empty


def test_a_path_that_changed_is_measured_and_told_beside_its_numbers(full: Bench, tmp_path: Path) -> None:
    """That is what paths are measured for; the source, read at its own connector last, is not what changed."""
    key = "../paths/output_a.csv"
    head, *rows = full.table_files[key].decode().split()
    moved_on = [",".join([hz, f"{float(loss) + 3:.3f}", u]) for hz, loss, u in (row.split(",") for row in rows)]
    worse = bench_with(full, tables={key: "\n".join([head, *moved_on]).encode()})
    outcome = carried_out(tmp_path, full, *SHORTEST, (ASKED, "paths: [input, output]"), reality=worse)

    assert outcome.outcome == "done", outcome.message
    notes = {one.qualifier: one.note for one in outcome.results if one.parameter == "path_loss"}
    assert "not as by the table in use" in notes["output_a"]
    assert notes["combined_a"] == ""
    with Record.open(outcome.record) as record:
        events = record.events().set_index("kind")
        output = next(file for file in export_paths(record, tmp_path / "tables") if file.name == "output_a.csv")
    assert events.loc["path changed", "severity"] == "warning"
    assert "# note: not as by the table in use" in output.read_text(encoding="utf-8")


def test_levels_and_repeats_are_held_against_what_was_set() -> None:
    """In a series of two levels a jump into the source's own limit brings them nearer; within a series repeats tell."""
    accuracy, hz = PowerAccuracy(0.4, 0.12, source_linearity_db=0.02, meter_linearity_db=0.02, noise_db=0.004), [14e9, 14.1e9]
    read_dbm = np.tile([-10.0, 5.0], (3, 2, 1)) + np.array([0.0, 0.004, -0.004])[:, None, None]
    assert moved(read_dbm, [-10.0, 5.0], hz, accuracy) == ""
    for level_dbm, has_amplifier, is_wrong in ((-5.0, False, True), (-5.0, True, False), (8.0, True, True), (-12.0, True, True)):
        read_dbm[:, 1, 1] = level_dbm
        wrong = spaced_wrongly(accuracy, pooled(read_dbm), [-10.0, 5.0], hz, "there", has_amplifier=has_amplifier)
        assert ("has the source's level jumped" in wrong) is is_wrong, (level_dbm, has_amplifier)
    read_dbm[2, 0, 0] += 0.5
    assert "in walk 3 of 3" in moved(read_dbm, [-10.0, 5.0], hz, accuracy)


def test_a_part_that_may_be_forgotten_there_is_warned_of(full: Bench, tmp_path: Path) -> None:
    """A sensor needs its level, and an unpowered part may not stand it: that it is off is up to hands, who are told."""
    sequence = asked_for(tmp_path, ("  input_power_max: 12 dBm", "  input_power_max: 12 dBm\n  rf_unpowered_max: -20 dBm"))
    found, second = (text for text in prove(sequence, full).warnings if "still connected" in text)
    assert "second_source" in second
    assert "it stands -20 dBm" in found
    assert "limits.rf_unpowered_max" in found
    with pytest.raises(FileError, match="13 dBm is above input_power_max, 12 dBm"):
        asked_for(tmp_path, ("  input_power_max: 12 dBm", "  input_power_max: 12 dBm\n  rf_unpowered_max: 13 dBm"))


AMPLIFIED = "second_a: {loss: -8 dB, uncertainty: 0.5 dB, frequency_min: 13 GHz, frequency_max: 15.5 GHz, power_max: 27 dBm"


def test_a_driver_amplifier_behind_the_second_source_is_seen_to_compress(full: Bench, tmp_path: Path) -> None:
    amplified = bench_with(full, (SECOND, AMPLIFIED + ", saturated_power_max: 11.5 dBm}"))
    outcome = carried_out(tmp_path, amplified, ("[-10 dBm, 5 dBm]", "[-20 dBm, 2 dBm]"), (ASKED, "paths: [second input]"))

    assert (outcome.outcome, ledger(outcome)) == ("done", [])
    rises = [one for one in outcome.results if one.parameter == "path_loss_rise"]
    assert [(one.qualifier, one.plane) for one in rises] == [("second_a", "second source connector to device input")] * 3
    assert all(one.value > 3 * one.expanded_uncertainty for one in rises)
    with Record.open(outcome.record) as record:
        assert "path compresses" in set(record.events()["kind"])


def test_an_amplifier_behind_the_second_source_that_none_knows_of_ends_the_run(full: Bench, tmp_path: Path) -> None:
    """What is to be expected is told by the reading before, of the same source."""
    strong = bench_with(full, (SECOND, AMPLIFIED.replace("-8 dB", "-20 dB") + ", saturated_power_max: 40 dBm}"))
    outcome = carried_out(tmp_path, full, (ASKED, "paths: [second input]"), reality=strong)

    assert isinstance(outcome.error, LimitError)
    assert "with second_source at" in outcome.message
    assert (outcome.exit_code, outcome.make_safe) == (4, "")


THRU = (
    ("bench: benches/kd14_full.yaml\n", ""),
    ("{from: 13.75 GHz, to: 14.5 GHz, step: 125 MHz}", "[13.875 GHz, 14.375 GHz]"),
    ("    level: 0 dBm\n", "    level: 0 dBm\n    second_source: true\n"),
)


def test_a_thru_is_looked_at_with_the_second_source_as_well(full: Bench, tmp_path: Path) -> None:
    """One decibel more in its path than in its table, and a two-tone night would be wrong by it while one tone is right."""
    key = "../paths/second_a.csv"
    head, *rows = full.table_files[key].decode().split()
    moved = [",".join([hz, f"{float(loss) + 1:.3f}", u]) for hz, loss, u in (row.split(",") for row in rows)]
    worse = bench_with(full, tables={key: "\n".join([head, *moved]).encode()})
    sequence = load_sequence(changed(VERIFICATION, tmp_path, *THRU))
    outcome = rehearse(sequence, full, tmp_path / "record.h5", reality=worse)

    assert (outcome.exit_code, ledger(outcome)) == (3, [])
    for told in ("second_a", "loses more than the tables say", "the level of second_source or output_meter"):
        assert told in outcome.message
    with Record.open(outcome.record) as record:
        rows_of = record.stream("verification").groupby("driven_by")
        assert {by: bool(own["is_within"].all()) for by, own in rows_of} == {"": True, "second source": False}
        assert record.bias().empty


def test_a_thru_driven_by_each_source_has_results_of_both(full: Bench, tmp_path: Path) -> None:
    sequence = load_sequence(changed(VERIFICATION, tmp_path, *THRU))
    outcome = rehearse(sequence, full, tmp_path / "record.h5")

    assert outcome.outcome == "done", outcome.message
    gains = [one for one in outcome.results if one.parameter == "thru_gain"]
    assert [one.qualifier for one in gains] == ["", "", "second source", "second source"]
    assert all(abs(one.value) <= one.expanded_uncertainty and one.budget for one in gains)


def test_a_second_source_that_is_not_wired_is_not_verified(tmp_path: Path) -> None:
    sequence, bench = load_both(changed(VERIFICATION, tmp_path, *THRU), BENCH)
    with pytest.raises(ProofError, match=r"measurements\[0\]\.second_source: asks for second input, and channel A has none"):
        prove(sequence, bench)


TOO_MUCH = [
    ((SECOND, SECOND.replace("27 dBm", "5 dBm")), "path second_a; paths, at the second source"),
    (("    input_max: 30 dBm", "    input_max: 5 dBm"), "analyser spectrum_analyser"),
    (("range_min: -60 dBm", "range_min: -45 dBm"), "at the cable of spectrum_analyser"),
    ((SECOND, AMPLIFIED + "}"), r"paths\.second_a\.saturated_power_max"),
    ((ANALYSER, ANALYSER.replace("analyser_a.csv", "short.csv")), "outside the table of path analyser_a"),
]


@pytest.mark.parametrize(("change", "told"), TOO_MUCH, ids=[told for _, told in TOO_MUCH])
def test_what_is_too_much_for_any_of_them_is_refused_on_paper(
    full: Bench, tmp_path: Path, change: tuple[str, str], told: str
) -> None:
    """Each reading is held against what is stated; as the bench is shipped, all of them pass (the other tests run it)."""
    short = b"frequency_hz,loss_db,uncertainty_db\n13000000000,28.6,0.3\n14000000000,28.7,0.3\n"
    bench = bench_with(full, change, tables={"../paths/short.csv": short})
    with pytest.raises(ProofError, match=told):
        prove(asked_for(tmp_path), bench)


def test_a_second_source_that_cannot_go_so_low_is_refused(full: Bench, tmp_path: Path) -> None:
    at = full.text.index("  second_source:\n")
    text = full.text[:at] + full.text[at:].replace("level_min: -40 dBm", "level_min: 0 dBm", 1)
    bench = load_bench_text(text, full.path.name, full.table_files, full.path.parent)
    with pytest.raises(ProofError, match="from second_source"):
        prove(asked_for(tmp_path), bench)


def test_a_path_that_is_not_wired_is_a_mistake_with_file_and_key(tmp_path: Path) -> None:
    """The smaller bench has one source and no spectrum analyser."""
    sequence, bench = load_both(changed(PATHS, tmp_path, *SHORT), BENCH)
    with pytest.raises(ProofError) as refused:
        prove(sequence, bench)
    text = str(refused.value)
    assert "measurements[0].paths" in text
    for role, key in (("second input", "input.second_path"), ("analyser", "output.analyser_path")):
        assert f"asks for {role}, and channel A has none wired (kd14.yaml: wiring.channels.A.{key})" in text


def test_one_path_for_two_ways_is_a_mistake(full: Bench, tmp_path: Path) -> None:
    """One file of a table would be written twice."""
    same = bench_with(full, ("analyser_path: analyser_a", "analyser_path: output_a"))
    with pytest.raises(ProofError, match="channel A has path output_a for both"):
        prove(asked_for(tmp_path), same)


@pytest.mark.parametrize(
    ("paths", "told"),
    [
        ("[input, input]", "names input twice"),
        ("[input, analyzer]", "did you mean analyser"),
        ("[]", "paths"),
    ],
)
def test_nonsense_is_a_mistake_of_the_file(tmp_path: Path, paths: str, told: str) -> None:
    """One mistake: a measurement that has one of its own is a measurement all the same."""
    with pytest.raises(FileError, match=told) as caught:
        asked_for(tmp_path, (ASKED, f"paths: {paths}"))
    assert len(caught.value.mistakes) == 1


def test_the_second_source_is_opened_only_where_its_path_is_asked_for(full: Bench, tmp_path: Path) -> None:
    """The analyser never: its cable is in hand, and it measures nothing."""
    for paths, opened in ((ASKED, True), ("paths: [input, analyser]", False)):
        sequence = asked_for(tmp_path, (ASKED, paths))
        names = {need.instrument for need in needs(prove(sequence, full).plan, sequence.file, full.file)}
        assert ("second_source" in names) is opened
        assert "spectrum_analyser" not in names


def test_the_estimate_counts_every_series_with_its_own_source(full: Bench, tmp_path: Path) -> None:
    """A source that settles ten times as long takes its own two series so much longer, and no other."""
    at = full.text.index("  second_source:\n")
    text = full.text[:at] + full.text[at:].replace("settling_time: 5 ms", "settling_time: 50 ms", 1)
    slow = load_bench_text(text, full.path.name, full.table_files, full.path.parent)
    sequence = asked_for(tmp_path)
    (block,) = sequence.file.measurements
    one_s, other_s = (power_before_time_s(block, bench.file, "A") for bench in (full, slow))
    assert other_s - one_s == pytest.approx(2 * (3 * 2 * 3) * 0.045)


@pytest.mark.parametrize(
    ("paths", "against_sensor", "steps"),
    [
        (("input", "output"), True, ["thru", "sensor", "sensor at source"]),
        (("output",), True, ["thru", "sensor"]),
        (("analyser",), False, ["sensor at analyser", "sensor"]),
        (("second input",), True, ["sensor, second source", "sensor at second source"]),
        (("second input", "analyser"), False, ["sensor at analyser", "sensor", "sensor, second source"]),
    ],
)
def test_nothing_is_connected_that_no_path_needs(paths: tuple[PathRole, ...], against_sensor: bool, steps: list[str]) -> None:
    found = steps_for(paths, against_sensor=against_sensor)
    told = [step.what + (", second source" if step.what == "sensor" and step.feed == "second source" else "") for step in found]
    assert told == steps


def test_a_way_to_the_analyser_is_a_way_to_the_meter_but_for_the_adapter_and_one_connection() -> None:
    """
    Outside check: the two measurement equations (JCGM 100, 5.1.2) differ in A alone, M_plane + A - M_thru and
    (M_plane + A) - (M_behind + A); a connector limit of 0.06 dB is 0.06/sqrt(3) dB each time (4.3.7).
    """
    accuracy = PowerAccuracy(source_db=0.4, meter_db=0.12, meter_linearity_db=0.02)
    plane, behind = (pooled(level_dbm + np.array([[[-1e-3]], [[1e-3]]])) for level_dbm in (-10.0, -38.0))
    to_meter, lines_m = device_to_meter(accuracy, SensorMatch(), plane, behind, (0.4, 0.0), (0, 0), 0.06)
    to_analyser, lines_a = device_to_analyser(accuracy, SensorMatch(), plane, behind, (0, 0), 0.06)
    assert to_meter - to_analyser == pytest.approx(0.4)
    assert to_analyser == pytest.approx(28.0)
    more = Budget(lines_a).combined ** 2 - Budget(lines_m).combined ** 2
    assert more == pytest.approx(0.06**2 / 3)


def test_what_a_table_s_uncertainty_lacks_is_told_before_and_stands_in_the_table(full: Bench, tmp_path: Path) -> None:
    """A table without mismatch and connectors looks better than one with them, and a proof relies on it later."""
    unstated = ("    connector: 0.02 dB\n", "")
    outcome = carried_out(tmp_path, full, unstated, (ASKED, "paths: [output]"))
    with Record.open(outcome.record) as record:
        (table,) = export_paths(record, tmp_path / "tables")
        warned = str(record.attributes["warnings"])

    assert "will lack what is not stated: connector" in warned
    assert "# it lacks what was not stated" in table.read_text(encoding="utf-8")
    assert "connector" in table.read_text(encoding="utf-8").split("# it lacks")[1].splitlines()[0]
