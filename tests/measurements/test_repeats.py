"""Promise: a measurement that is repeated at a condition reports means, and what its repeats scatter by is in the budget."""

from __future__ import annotations

import math
import re
import statistics
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from benchkit.bench.load import load_bench, load_bench_text
from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.campaign.summary import summarise
from benchkit.errors import FileError
from benchkit.measurements.network_rows import s_from
from benchkit.plan import estimate, make_plan
from benchkit.plan.files import load_both
from benchkit.record import Record, export_touchstone
from benchkit.report import write_report
from benchkit.results.repeats import REPEATABILITY
from benchkit.results.result import Result
from benchkit.sequence.load import Sequence, load_sequence, load_sequence_text
from tests.report.page import Page
from tests.scenario import BENCH, BIASED_ONLY, ROOT, SHORT, changed

FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
NETWORK = ROOT / "sequences" / "kd14_s_parameters.yaml"
REPEATS = 4


def carried_out(folder: Path, shipped: Path, bench: Path, *changes: tuple[str, str]) -> CampaignOutcome:
    text = shipped.read_text(encoding="utf-8")
    reference = next(line for line in text.splitlines() if line.startswith("bench: "))
    sequence, on_bench = load_both(changed(shipped, folder, (reference + "\n", ""), *changes), bench)
    return rehearse(sequence, on_bench, folder / "record.h5")


@pytest.fixture(scope="module")
def sweep(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    """Three frequencies, four times over."""
    text = SHORT.read_text(encoding="utf-8")
    frequency = next(line for line in text.splitlines() if line.strip().startswith("frequency:"))
    indent = frequency[: len(frequency) - len(frequency.lstrip())]
    return carried_out(
        tmp_path_factory.mktemp("sweep"), SHORT, BENCH,
        (frequency, f"{indent}frequency: [13.75 GHz, 14.125 GHz, 14.5 GHz]\n{indent}repeats: {REPEATS}"),
    )  # fmt: skip


def by_key(results: list[Result]) -> dict[tuple[str, str, float | None], list[Result]]:
    found = defaultdict(list)
    for one in results:
        found[one.parameter, one.qualifier, one.condition.frequency_hz].append(one)
    return found


def of_each_repeat(outcome: CampaignOutcome) -> list[list[Result]]:
    """What each walk alone gives: summed up from its own ladders."""
    with Record.open(outcome.record) as record:
        sequence = load_sequence_of(record)
        points, ladders = record.points(), record.ladders()
    own = ladders[ladders["frequency_hz"].notna()]
    walks = []
    for walk in range(REPEATS):
        kept = own["ladder"].sort_values().unique()[walk * 3 : walk * 3 + 3]
        walks.append(summarise(sequence, points[points["ladder"].isin(kept)], ladders[ladders["ladder"].isin(kept)]))
    return walks


def load_sequence_of(record: Record) -> Sequence:
    return load_sequence_text(record.sequence_text, "sequence.yaml")


def test_each_quantity_is_reported_once_as_the_mean_of_its_repeats(sweep: CampaignOutcome) -> None:
    assert sweep.outcome == "done", sweep.message
    reported = by_key(list(sweep.results))
    walks = [by_key(walk) for walk in of_each_repeat(sweep)]
    compared = 0
    for key, many in reported.items():
        assert len(many) == 1, key
        alone = [walk[key][0].value for walk in walks if key in walk]
        if key[0] in ("small_signal_gain", "p1db", "drain_efficiency_p1db"):
            assert len(alone) == REPEATS
            assert many[0].value == pytest.approx(statistics.fmean(alone), abs=1e-9)
            assert many[0].found == f"mean of {REPEATS} repeats"
            compared += 1
    assert compared == 9


def test_the_scatter_of_the_repeats_is_a_line_of_the_budget_and_the_single_ladders_scatter_is_not(sweep: CampaignOutcome) -> None:
    """Pooled over three frequencies of four: nine degrees of freedom, one too few to leave the single ladder's scatter out."""
    walks = [by_key(walk) for walk in of_each_repeat(sweep)]
    keys = [key for key in walks[0] if key[0] == "p1db"]
    squares = sum(statistics.variance([walk[key][0].value for walk in walks]) * (REPEATS - 1) for key in keys)
    expected = math.sqrt(squares / (len(keys) * (REPEATS - 1)) / REPEATS)
    for one in sweep.results:
        if one.parameter == "p1db":
            lines = {line.name: line for line in one.budget}
            # Student's t for 9 degrees of freedom and 95.45 %: 2.32 (JCGM 100:2008, table G.2).
            assert lines[f"{REPEATABILITY}, 9 degrees of freedom"].amount == pytest.approx(2.32 / 2 * expected, rel=2e-3)
            assert "scatter at the crossing" in lines


def test_the_estimate_and_the_report_know_of_repeats(sweep: CampaignOutcome, tmp_path: Path) -> None:
    with Record.open(sweep.record) as record:
        sequence, bench = load_sequence_of(record), load_bench(BENCH)
        plan = make_plan(sequence.file)
        points, took_s = record.points(), record.events()["time_s"].max() - float(record.attributes["started_s"])
        assert len(record.ladders()) == plan.ladder_count
    assert estimate(plan, sequence.file, bench.file).total_s == pytest.approx(took_s, rel=0.1)
    # All frequencies before the first comes again.
    driven = points[points["frequency_hz"].notna()].drop_duplicates("ladder")["frequency_hz"].tolist()
    assert driven[-12:] == [13.75e9, 14.125e9, 14.5e9] * REPEATS
    text = write_report([sweep.record], tmp_path / "page.html").read_text(encoding="utf-8")
    assert "repeatability" in text
    assert f"Each line: mean of {REPEATS} repeats" in text
    assert "repeat 4" not in text


def test_an_expansion_that_is_noise_does_not_average_out(tmp_path: Path) -> None:
    """The highest of readings that scatter lies above the curve in every repeat: however many there are, 0 must be within U."""
    bench = BENCH.read_text(encoding="utf-8")
    text = SHORT.read_text(encoding="utf-8")
    drive = next(line for line in text.splitlines() if line.strip().startswith("drive:"))
    sequence, on_bench = load_both(
        changed(SHORT, tmp_path, ("bench: benches/kd14.yaml\n", ""), (drive, f"    repeats: 30\n{drive}")), BENCH
    )
    linear = load_bench_text(
        re.sub(r"linearity: \S+ dB", "linearity: 0 dB", bench), BENCH.name, on_bench.table_files, BENCH.parent
    )
    outcome = rehearse(sequence, linear, tmp_path / "record.h5")
    (expansion,) = [one for one in outcome.results if one.parameter == "gain_expansion"]
    assert "highest of readings that scatter" in {line.name for line in expansion.budget}
    assert expansion.value <= expansion.expanded_uncertainty


def test_sweeps_of_s_parameters_are_repeated_as_well(tmp_path: Path) -> None:
    text = NETWORK.read_text(encoding="utf-8")
    bandwidth = next(line for line in text.split("kind: s_parameters")[1].splitlines() if "if_bandwidth" in line)
    indent = bandwidth[: len(bandwidth) - len(bandwidth.lstrip())]
    once = "kind: s_parameters"
    outcome = carried_out(tmp_path, NETWORK, FULL, BIASED_ONLY, (once, f"{once}\n{indent}repeats: 5"))
    assert outcome.outcome == "done", outcome.message
    with Record.open(outcome.record) as record:
        assert record.stream("network")["ladder"].nunique() == 15
    gains = [one for one in outcome.results if one.parameter == "s21_minimum"]
    assert len(gains) == 3
    for one in gains:
        lines = {line.name: line for line in one.budget}
        # Five at each of three temperatures: enough to stand in for the noise of a single sweep.
        assert "network analyser noise" not in lines
        assert lines[f"{REPEATABILITY}, 12 degrees of freedom"].amount < 0.01


def test_channels_are_held_against_each_other_by_the_mean_of_their_repeats(tmp_path: Path) -> None:
    """Repeats are no conditions, and the largest of five differences is no difference of the channels."""
    text = NETWORK.read_text(encoding="utf-8")
    bandwidth = next(line for line in text.split("kind: s_parameters")[1].splitlines() if "if_bandwidth" in line)
    indent = bandwidth[: len(bandwidth) - len(bandwidth.lstrip())]
    outcome = carried_out(
        tmp_path, NETWORK, FULL, BIASED_ONLY, ("kind: s_parameters", f"kind: s_parameters\n{indent}repeats: 3"),
        ("[-30 degC, 25 degC, 70 degC]", "[25 degC]"), ("  channels: [A]\n", "  channels: [A, B]\n"),
    )  # fmt: skip
    page = Page(write_report([outcome.record], tmp_path / "page.html"))
    rows = [row for row in page.section("Channel against channel").all("tr") if row.text.startswith("|S21|")]
    assert len(rows) == 2  # the summary and the one condition
    with Record.open(outcome.record) as record:
        network = record.stream("network")
    db = {
        channel: 20 * np.log10(np.abs(np.mean([s_from(sweep)[:, 1, 0] for _, sweep in own.groupby("ladder")], axis=0)))
        for channel, own in network.groupby("channel")
    }
    _, match, _ = next(iter(page.traces("Gain match |S21|").values()))
    assert np.allclose(match, db["A"] - db["B"], atol=1e-9)
    files = export_touchstone(Record.open(outcome.record), tmp_path / "s2p")
    assert sorted(file.stem.partition("6V")[2] for file in files) == ["", "", "_2", "_2", "_3", "_3"]


def test_nonsense_is_told_with_its_line(tmp_path: Path) -> None:
    path = changed(SHORT, tmp_path, ("    drive: {", "    repeats: 0\n    drive: {"))
    with pytest.raises(FileError, match=r"repeats"):
        load_sequence(path)
