"""An expectation that no result can ever answer is a mistake of the file, not a night's disappointment."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import FileError
from benchkit.sequence.load import load_sequence
from tests.scenario import ROOT, SHORT, changed

TWO_TONE = ROOT / "sequences" / "kd14_two_tone.yaml"


@pytest.mark.parametrize(
    ("expectation", "says"),
    [
        ("{parameter: pae_back_off, qualifier: 7 dB back-off, min: 7 %}", "3 dB back-off"),
        ("{parameter: pae_back_off, qualifier: 6dB backoff, min: 7 %}", "did you mean 6 dB back-off"),
        ("{parameter: output_at_compression, qualifier: 2 dB compression, min: 7 dBm}", "output_at_compression is not reported"),
        ("{parameter: oip3, min: 34 dBm}", "is given by a measurement of kind two_tone, and there is none here"),
    ],
)
def test_what_would_never_be_judged_is_told_before_the_night(tmp_path: Path, expectation: str, says: str) -> None:
    path = changed(SHORT, tmp_path, ("expectations:\n", f"expectations:\n  - {expectation}\n"))
    with pytest.raises(FileError) as raised:
        load_sequence(path)
    assert "expectations[0]" in str(raised.value)
    assert says in str(raised.value)


@pytest.mark.parametrize("qualifier", ["7 dB back-off, 1 MHz spacing", "7 dB back-off, 10 MHz spacing"])
def test_what_a_kind_gives_is_taken(tmp_path: Path, qualifier: str) -> None:
    line = f"  - {{parameter: oip5, qualifier: '{qualifier}', min: 20 dBm}}\n"
    assert load_sequence(changed(TWO_TONE, tmp_path, ("expectations:\n", f"expectations:\n{line}"))).file.expectations[0]
