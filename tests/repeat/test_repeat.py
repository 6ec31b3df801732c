"""A record repeated from itself: it agrees where nothing has changed, and where something has, the table points at it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

import benchkit
from benchkit.bench.load import Bench, load_bench, load_bench_text
from benchkit.campaign.compare import Comparison
from benchkit.campaign.repeat import RepeatOutcome, plan_repeat
from benchkit.cli.main import app
from benchkit.errors import FormatError
from tests.scenario import BENCH, SHORT, changed, served_twin

SHIFT_DB = 0.8


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two frequencies on both channels, so that what is shifted can be told by where."""
    folder = tmp_path_factory.mktemp("original")
    sequence = changed(
        SHORT,
        folder,
        ("channels: [A]\n", "channels: [A, B]\n"),
        ("frequency: 14.125 GHz", "frequency: [13.85 GHz, 14.125 GHz]"),
        ("step: 1 dB", "step: 1.5 dB"),
    )
    outcome = benchkit.rehearse(sequence, folder / "original.h5", bench=BENCH)
    assert outcome.outcome == "done"
    return outcome.record


def bench_with(*changes: tuple[str, str], tables: dict[str, bytes] | None = None) -> Bench:
    """The shipped bench with a change of its text or its tables."""
    bench = load_bench(BENCH)
    text = bench.text
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return load_bench_text(text, BENCH.name, {**bench.table_files, **(tables or {})}, BENCH.parent)


def shifted(table: bytes, by_db: float) -> bytes:
    """A loss table with every loss changed."""
    head, *rows = table.decode().split()
    cells = [row.split(",") for row in rows]
    return "\n".join([head, *(f"{hz},{float(loss) + by_db:.3f},{u}" for hz, loss, u in cells)]).encode()


def repeated(original: Path, folder: Path, **how: object) -> RepeatOutcome:
    return plan_repeat(original, **how).carry_out(folder / "again.h5")  # type: ignore[arg-type]


def comparison_of(outcome: RepeatOutcome) -> Comparison:
    assert outcome.comparison is not None
    return outcome.comparison


def names(comparison: Comparison) -> set[str]:
    return {row.parameter for row in comparison.disagreements}


def test_the_same_unit_agrees_on_benches_of_other_instruments(original: Path, tmp_path: Path) -> None:
    """
    Every instrument and path another one, each wrong by what its uncertainty allows: that is what uncertainties are for. With
    k = 2 one path in twenty is further out, and every number through it with it.
    """
    found = []
    for seed in (2, 3, 4, 5, 6):
        folder = tmp_path / str(seed)
        folder.mkdir()
        found.append(comparison_of(repeated(original, folder, seed=seed)))
    assert sum(one.agrees for one in found) >= 4
    for comparison in found:
        assert any(row.en != 0 for row in comparison.rows)
        assert all(abs(row.en) < 2 for row in comparison.rows if row.is_judged)
        assert not any("source" in name or "meter" in name for name in comparison.common)


@pytest.mark.parametrize("unit", ["L07-W1-02", "L07-W2-05"])
def test_another_unit_does_not_agree_on_any_bench(original: Path, tmp_path: Path, unit: str) -> None:
    """Units of one lot differ by more than the gate voltage is uncertain by; the hint says that it is the part."""
    comparison = comparison_of(repeated(original, tmp_path, seed=3, unit=unit))

    assert not comparison.agrees
    assert "another unit" in " ".join(comparison.causes)


def test_a_repeat_needs_nothing_but_the_record(original: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In two years the files will have been edited, or be gone."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(original, tmp_path / "alone.h5")

    result = CliRunner().invoke(app, ["repeat", "alone.h5", "--out", "again.h5", "--json"])
    told = json.loads(result.stdout)

    assert result.exit_code == 0
    assert told["outcome"] == "done"
    assert told["differences"] == []
    assert told["comparison"]["agrees"]
    assert told["comparison"]["judged"] > 40
    assert {row["en"] for row in told["comparison"]["rows"] if row["en"] is not None} == {0.0}
    with benchkit.open_record("alone.h5") as first, benchkit.open_record("again.h5") as second:
        assert second.sequence_text == first.sequence_text
        assert second.files == first.files


def test_the_same_unit_agrees_though_every_reading_is_noisier(original: Path, tmp_path: Path) -> None:
    """Agreement is not equality: readings differ, and nothing has changed."""
    noisier = bench_with(("accuracy: 0.12 dB", "accuracy: 0.12 dB\n    twin: {noise: 0.006 dB}"))

    outcome = repeated(original, tmp_path, reality=noisier)

    assert outcome.exit_code == 0
    comparison = comparison_of(outcome)
    assert comparison.agrees
    assert any(row.difference != 0 for row in comparison.rows)
    assert any("output_meter" in name for name in comparison.common)


def test_an_output_path_that_has_shifted_is_found_and_pointed_at(original: Path, tmp_path: Path) -> None:
    """The commonest trouble: a connector, or another cable than the table's."""
    tables = load_bench(BENCH).table_files
    reality = bench_with(tables={"../paths/output_b.csv": shifted(tables["../paths/output_b.csv"], SHIFT_DB)})

    outcome = repeated(original, tmp_path, reality=reality)
    comparison = comparison_of(outcome)

    assert outcome.exit_code == 1
    assert {row.condition.channel for row in comparison.disagreements} == {"B"}
    assert {"p1db", "small_signal_gain"} <= names(comparison)
    assert "input_p1db" not in names(comparison)
    p1db = [row for row in comparison.rows if row.parameter == "p1db" and row.condition.channel == "B"]
    assert all(row.difference == pytest.approx(SHIFT_DB, abs=0.05) for row in p1db)
    assert comparison.causes
    assert "channel B only" in comparison.causes[0]
    assert "output path" in comparison.causes[0]


def test_an_input_path_that_has_shifted_is_told_from_an_output_path(original: Path, tmp_path: Path) -> None:
    """Both change gain; only one moves output levels."""
    tables = load_bench(BENCH).table_files
    reality = bench_with(tables={f"../paths/input_{x}.csv": shifted(tables[f"../paths/input_{x}.csv"], -SHIFT_DB) for x in "ab"})

    comparison = comparison_of(repeated(original, tmp_path, reality=reality))

    assert {"input_p1db", "small_signal_gain"} <= names(comparison)
    assert "p1db" not in names(comparison)
    assert "the source, or what all input paths have in common" in comparison.causes[0]


def test_a_meter_that_has_drifted_beyond_its_accuracy_is_found_and_pointed_at(original: Path, tmp_path: Path) -> None:
    """The meter's own error is common to both runs; its drift is not."""
    drifted = bench_with(("accuracy: 0.12 dB", "accuracy: 3 dB"))

    comparison = comparison_of(repeated(original, tmp_path, reality=drifted))

    assert not comparison.agrees
    assert {row.condition.channel for row in comparison.disagreements} == {"A", "B"}
    assert "input_p1db" not in names(comparison)
    assert "the power meter" in comparison.causes[0]


def test_another_unit_does_not_agree_and_is_told_as_such(original: Path, tmp_path: Path) -> None:
    """Swapped parts happen at eight in the morning."""
    planned = plan_repeat(original, unit="L07-W2-05")
    outcome = planned.carry_out(tmp_path / "again.h5")
    comparison = comparison_of(outcome)

    assert ("unit", "L07-W1-01", "L07-W2-05") in [(one.name, one.first, one.second) for one in planned.differences]
    assert outcome.exit_code == 1
    assert "gate_voltage" in names(comparison)
    assert "another unit" in comparison.causes[0]
    assert "L07-W2-05" in comparison.causes[0]


def test_what_is_not_as_it_was_is_said_before_anything_runs(original: Path) -> None:
    """Instrument, calibration date, path table by digest, limits: each told with both values."""
    tables = load_bench(BENCH).table_files
    today = bench_with(
        ("calibrated: 2025-10-02", "calibrated: 2027-04-01"),
        ("voltage_max: 10 V", "voltage_max: 12 V"),
        tables={"../paths/output_a.csv": shifted(tables["../paths/output_a.csv"], 0.1)},
    )

    told = {one.name: one for one in plan_repeat(original, bench=today, seed=2).differences}

    assert (told["output_meter: calibrated"].first, told["output_meter: calibrated"].second) == ("2025-10-02", "2027-04-01")
    assert told["output_a"].first != told["output_a"].second
    assert told["output_a"].what == "path"
    assert told["rf_source: serial"].what == "instrument"
    assert told["instruments.case_voltmeter.voltage_max"].second == "12.0"
    assert "output_b" not in told
    assert not list(original.parent.glob("again*"))


def test_a_simulated_record_can_be_repeated_on_a_bench_over_real_sockets(tmp_path: Path) -> None:
    """The way a rehearsal is held against the real thing."""
    short = benchkit.rehearse(
        changed(SHORT, tmp_path, ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: -6 dBm, to: 8 dBm, step: 2 dB}")),
        tmp_path / "short.h5",
        bench=BENCH,
    )
    with served_twin(tmp_path) as twin:
        result = CliRunner().invoke(
            app, ["repeat", str(short.record), "--run", "--on", str(twin.bench), "--out", str(tmp_path / "again.h5"), "--json"]
        )
        twin.stop()
    told = json.loads(result.stdout)

    assert result.exit_code == 0, told["comparison"] and told["comparison"]["causes"]
    assert twin.ledger() == []
    assert {"simulated"} <= {one["name"] for one in told["differences"]}
    assert told["comparison"]["agrees"]
    assert any(row["en"] for row in told["comparison"]["rows"])


def test_a_record_that_lacks_what_a_repeat_needs_says_what(tmp_path: Path) -> None:
    """Rather than a run of something else."""
    table = tmp_path / "earlier.csv"
    table.write_text("parameter,qualifier,temperature_degc,channel,supply_voltage_v,frequency_hz,value,unit,expanded_uncertainty\n"
                     "p1db,,,A,6,14.125e9,27.2,dBm,0.3\n")  # fmt: skip
    old = Path(__file__).parents[1] / "data" / "records" / "version-1-sealed.h5"

    with pytest.raises(FormatError, match="no sequence"):
        plan_repeat(table)
    with pytest.raises(FormatError, match="can't be repeated"):
        plan_repeat(old)
