"""
Promise: one carrier read by spectrum analyser and power meter shows whether their paths and levels agree within U, and stands in
the report as a check of the bench; a return loss that the record knows to be worse than the bench file assumes is told.

The outside check is the twin: with every error drawn as stated they agree; with a path's table off by 1 dB they don't.
"""

from __future__ import annotations

from pathlib import Path

import pytest

import benchkit
from benchkit.report import write_report
from benchkit.report.reading import read_sources
from benchkit.report.sheet import make_sheet
from benchkit.results.result import Result
from sim_instruments.physics.paths import PathTruth
from tests.benchmarks.coverage import stated_bench
from tests.report.page import Page
from tests.scenario import BIASED_ONLY, ROOT, S_PARAMETERS, changed

FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
SPANS = ("from: 13.75 GHz, to: 14.5 GHz", "from: 13.5 GHz, to: 14.75 GHz")
SEQUENCE = ROOT / "sequences" / "kd14_spectrum.yaml"
TEXT = SEQUENCE.read_text(encoding="utf-8")
CHANGES = (
    ("bench: benches/kd14_full.yaml\n", ""),
    (TEXT.split("conditions:\n")[1].split("  channels:")[0], ""),
    ("  - kind: oscillation_check" + TEXT.split("  - kind: oscillation_check")[1].split("  - kind: quiescent")[0], ""),
    ("    search:" + TEXT.split("    search:")[1].split("expectations:")[0], "\n"),
    ("expectations:" + TEXT.split("expectations:")[1], ""),
    ("frequency: [13.9 GHz, 14.125 GHz]", "frequency: [14 GHz]"),
    ("drive: {from: -6 dBm, to: 4 dBm, step: 2 dB}", "drive: [-6 dBm, 0 dBm, 4 dBm]"),
)
PARAMETER = "carrier_analyser_less_meter"


def carried_out(folder: Path, bench: Path, seed: int = 1, *more: tuple[str, str]) -> tuple[Path, list[Result]]:
    folder.mkdir(exist_ok=True)
    outcome = benchkit.rehearse(
        changed(SEQUENCE, folder, *CHANGES, *more), folder / "r.h5", bench=bench, unit="L07-W1-01", seed=seed
    )
    assert outcome.outcome == "done", outcome.message
    return outcome.record, [one for one in outcome.results if one.parameter == PARAMETER]


def test_as_stated_both_agree_within_u_and_the_report_has_it_as_a_check_of_the_bench(tmp_path: Path) -> None:
    bench = stated_bench(tmp_path)
    found = [carried_out(tmp_path / str(seed), bench, seed) for seed in range(1, 3)]

    for _, results in found:
        (one,) = results
        assert abs(one.value) <= one.expanded_uncertainty
        assert 0.3 < one.expanded_uncertainty < 1.5
        assert not one.note
        names = {line.name for line in one.budget}
        assert {"power meter accuracy", "output path loss", "path from the device to the analyser"} <= names
        # Both have it in common.
        assert not any("mismatch" in name for name in names)
    sheet = make_sheet(read_sources([found[0][0]]))
    of_part, of_bench = ([row.name for group in one for row in group.rows] for one in (sheet.of_part, sheet.of_bench))
    assert PARAMETER in of_bench
    assert PARAMETER not in of_part
    assert "harmonic_2" in of_part


def test_a_wrong_number_in_a_path_s_table_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The twin's path to the analyser loses 1 dB more than its table says: beyond U, told with the number and in the report."""
    true_loss_db = PathTruth.loss_db
    monkeypatch.setattr(
        PathTruth, "loss_db", lambda self, hz: true_loss_db(self, hz) + (1.0 if self.name == "analyser_a" else 0.0)
    )
    record, (one,) = carried_out(tmp_path, FULL)

    assert one.value == pytest.approx(-1.0, abs=0.4)
    assert abs(one.value) > one.expanded_uncertainty
    assert "a path's table, a level or a connection is wrong" in one.note
    text = Page(write_report([record], tmp_path / "page.html")).text
    told = f"{one.measurement}, channel A, 14 GHz, {one.found}"
    assert told in text.split("Warnings of what was measured")[1]


@pytest.mark.parametrize(("stated_db", "is_told"), [("20 dB", True), ("5 dB", False)])
def test_a_return_loss_worse_than_assumed_is_told_with_both_numbers_file_and_key(
    stated_db: str, is_told: bool, tmp_path: Path
) -> None:
    """U of a power counts mismatch by the bench file's return loss of the device; S-parameters of the record know better."""
    bench = stated_bench(tmp_path)
    bench = changed(bench, bench.parent, ("device_return_loss: 9 dB", f"device_return_loss: {stated_db}"), name="other.yaml")
    soak = S_PARAMETERS.read_text("utf-8").split("conditions:\n")[1].split("  channels:")[0]
    few = [(f"{span}, step: 25 MHz", "from: 13.75 GHz, to: 14.5 GHz, step: 250 MHz") for span in SPANS]
    sequence = changed(S_PARAMETERS, tmp_path, CHANGES[0], (soak, ""), BIASED_ONLY, *few)
    outcome = benchkit.rehearse(sequence, tmp_path / "r.h5", bench=bench, unit="L07-W1-01", seed=1)
    measured = next(one for one in outcome.results if one.parameter == "output_return_loss")

    text = Page(write_report([outcome.record], tmp_path / "page.html")).text

    key = "(other.yaml: wiring.channels.A.output.mismatch.device_return_loss)"
    told = f"counts a return loss of the device of {stated_db} {key}, and S-parameters of this record reads {measured.value:.2f}"
    assert (told in text) == is_told
    assert ("at the device's input counts" in text) == (
        min(one.value for one in outcome.results if one.parameter == "input_return_loss") < 11
    )
