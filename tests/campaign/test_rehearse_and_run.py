"""The same sequence, engine, drivers and SCPI text, on the virtual clock and over real sockets."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import benchkit
from benchkit.catalogue.glance import glance
from benchkit.report import write_report
from tests.scenario import BENCH, SHORT, changed, served_twin

LADDER = ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: -6 dBm, to: 8 dBm, step: 2 dB}")
MEASURED = ["output_dbm", "drain_current_a", "gate_voltage_v", "detector_v", "gain_db", "pae_percent"]


def points_of(path: Path) -> pd.DataFrame:
    with benchkit.open_record(path) as record:
        return record.points()


def test_two_rehearsals_with_one_seed_give_identical_points(tmp_path: Path) -> None:
    """A rehearsal that cannot be repeated proves nothing about a change."""
    first = benchkit.rehearse(SHORT, tmp_path / "first.h5", seed=7)
    second = benchkit.rehearse(SHORT, tmp_path / "second.h5", seed=7)

    assert first.exit_code == second.exit_code == 0
    pd.testing.assert_frame_equal(points_of(first.record), points_of(second.record), check_exact=True)


def test_another_seed_or_another_unit_gives_other_points(tmp_path: Path) -> None:
    """The seed must reach the noise, and the unit its own spread; otherwise the test above cannot fail."""
    base, seed, unit = (
        points_of(benchkit.rehearse(SHORT, tmp_path / f"{name}.h5", seed=number, unit=serial).record)
        for name, number, serial in (("a", 1, "L07-W1-01"), ("b", 2, "L07-W1-01"), ("c", 1, "L07-W2-05"))
    )

    assert not np.array_equal(base["output_dbm"], seed["output_dbm"])
    assert abs(float((base["gain_db"] - unit["gain_db"]).iloc[3])) > 0.01


def test_a_run_on_the_served_twin_gives_the_rehearsals_numbers_within_noise(tmp_path: Path) -> None:
    """Otherwise a rehearsal says nothing about the run."""
    sequence = changed(SHORT, tmp_path, LADDER)
    rehearsed = benchkit.rehearse(sequence, tmp_path / "rehearsed.h5", bench=BENCH)
    with served_twin(tmp_path) as twin:
        ran = benchkit.run(sequence, tmp_path / "ran.h5", bench=twin.bench, unit="L07-W1-01")
        twin.stop()

    assert ran.outcome == "done"
    assert ran.exit_code == 0
    assert twin.ledger() == []
    one, other = points_of(rehearsed.record), points_of(ran.record)
    assert list(one.columns) == list(other.columns)
    assert len(one) == len(other)
    driven = one["output_dbm"].notna()
    np.testing.assert_allclose(one["output_dbm"][driven], other["output_dbm"][driven], atol=0.1)
    np.testing.assert_allclose(one["drain_current_a"], other["drain_current_a"], atol=2e-3)
    np.testing.assert_allclose(one["detector_v"][driven], other["detector_v"][driven], rtol=0.02)
    p1db = [next(r.value for r in outcome.results if r.parameter == "p1db") for outcome in (rehearsed, ran)]
    assert p1db[0] == pytest.approx(p1db[1], abs=0.1)
    assert glance(ran.record, "ran.h5").simulated is True
    # It took its time over real sockets, and still no device was measured.
    assert "SIMULATED: no device was measured" in write_report([ran.record], tmp_path / "ran.html").read_text(encoding="utf-8")


def test_a_rehearsals_ledger_stays_empty(tmp_path: Path) -> None:
    """The ledger is the twin's, not benchkit's: it notes whatever a careful engineer would wince at."""
    outcome = benchkit.rehearse(SHORT, tmp_path / "a.h5")

    assert outcome.exit_code == 0
    assert (tmp_path / "a.ledger.jsonl").read_text() == ""


def test_raw_readings_corrections_and_corrected_values_are_all_stored_and_agree(tmp_path: Path) -> None:
    """A correction found wrong next year must be undoable."""
    points = points_of(benchkit.rehearse(SHORT, tmp_path / "a.h5").record)
    driven = points[points["output_dbm"].notna()]

    np.testing.assert_allclose(driven["output_meter_dbm"] + driven["output_loss_db"], driven["output_dbm"])
    np.testing.assert_allclose(driven["source_level_dbm"] - driven["input_loss_db"], driven["input_dbm"])
    assert (driven["input_loss_db"] > 0).all()
    assert (driven["output_loss_db"] > 0).all()


def test_a_ladder_that_stops_early_says_why(tmp_path: Path) -> None:
    """Stopping on purpose is not an unfinished ladder."""
    sequence = changed(SHORT, tmp_path, ("compression: 3 dB", "output_power: 20 dBm"))
    outcome = benchkit.rehearse(sequence, tmp_path / "a.h5", bench=BENCH)

    with benchkit.open_record(outcome.record) as record:
        ladder = record.ladders().iloc[-1]
    assert ladder["status"] == "stopped"
    assert "output power" in ladder["stop_reason"]
    assert "20 dBm" in ladder["stop_reason"]
    p1db = next(r for r in outcome.results if r.parameter == "p1db")
    assert p1db.is_absent
    assert "not reached" in p1db.reason
    assert outcome.exit_code == 1  # an expectation on P1dB is not met by a number that is not there


def test_the_record_holds_what_a_repeat_needs(tmp_path: Path) -> None:
    """Both files' exact text, the tables, every instrument, the versions, and how it ended."""
    outcome = benchkit.rehearse(SHORT, tmp_path / "a.h5", operator="a tester")

    with benchkit.open_record(outcome.record) as record:
        assert record.sequence_text == SHORT.read_text(encoding="utf-8")
        assert record.bench_text == BENCH.read_text(encoding="utf-8")
        for name, data in record.files.items():
            assert data == (BENCH.parent / name).read_bytes()
        assert {instrument["name"] for instrument in record.instruments} >= {"rf_source", "drain_supply", "gate_supply"}
        assert all(instrument["serial"] for instrument in record.instruments)
        assert all(instrument["calibrated"] for instrument in record.instruments if instrument["role"] != "switch")
        assert record.attributes["operator"] == "a tester"
        assert "numpy" in str(record.attributes["software"])
        assert record.outcome == "done"
        assert record.is_sealed
