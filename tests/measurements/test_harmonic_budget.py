"""What a harmonic at a stated drive owes its uncertainty to; each contribution comes from a key of the bench file."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from benchkit.campaign import rehearse
from benchkit.results.result import Result
from benchkit.sequence.load import load_sequence
from tests.benchmarks.coverage import stated_bench
from tests.measurements.test_oscillation_check import AT_ROOM, SEQUENCE
from tests.measurements.test_spectrum import ALONE, NO_SEARCH, ONE_CARRIER
from tests.scenario import changed

DRIVES = ("drive: {from: -6 dBm, to: 4 dBm, step: 2 dB}", "drive: [-6 dBm, -4 dBm, 4 dBm]\n    at: every drive")
MISMATCH = "        mismatch: {path_return_loss: 32 dB, device_return_loss: 9 dB, convention: largest magnitudes}\n"
LEVEL, AT_CARRIER = "level at the device's input", "mismatch at the device's output at the carrier"


def results(folder: Path, *, mismatch: bool) -> dict[tuple[str, str], Result]:
    bench = stated_bench(folder)
    if not mismatch:
        bench = changed(bench, bench.parent, (MISMATCH, ""))
    changes = (*ALONE[:1], (ALONE[1][0], "\n"), ONE_CARRIER, DRIVES, NO_SEARCH)
    sequence = load_sequence(changed(SEQUENCE, folder, *AT_ROOM, *changes))
    outcome = rehearse(sequence, load_bench(bench), folder / "r.h5", seed=3, unit="L07-W1-01")
    return {(one.parameter, one.qualifier): one for one in outcome.results if not one.is_absent}


def test_the_level_at_the_input_and_mismatch_count_by_how_a_harmonic_moves_with_them(tmp_path: Path) -> None:
    """A number told for a drive is wrong by what the drive is wrong by: far from saturation n dB for each dB."""
    found = results(tmp_path, mismatch=True)

    for n in (2, 3):
        for parameter, slope in ((f"harmonic_{n}", n), (f"harmonic_{n}_relative", n - 1)):
            budget = {line.name: line for line in found[parameter, "-6 dBm drive"].budget}
            assert budget[LEVEL].sensitivity == pytest.approx(slope, abs=0.15)
            assert budget[LEVEL].standard_uncertainty == pytest.approx(0.25, abs=0.03)
            assert (AT_CARRIER in budget) == parameter.endswith("relative")
            assert "mismatch at the device's output at the harmonic" in budget
        # In compression it moves less.
        driven = {line.name: line for line in found[f"harmonic_{n}", "+4 dBm drive"].budget}
        assert 0 < driven[LEVEL].sensitivity < n - 0.15


def test_what_the_bench_file_does_not_state_is_no_contribution(tmp_path: Path) -> None:
    found = results(tmp_path, mismatch=False)

    assert not any("mismatch" in line.name for one in found.values() for line in one.budget)
