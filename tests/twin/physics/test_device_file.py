"""The device file: strict, and every mistake told with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.errors import FileError
from sim_instruments.device_file import DeviceFile, load_device_file
from tests.twin.physics.conftest import SEQUENCES

KD14 = SEQUENCES / "twin" / "kd14_device.yaml"


def test_the_scenarios_device_reads(device_file: DeviceFile) -> None:
    assert device_file.part == "KD14"
    assert device_file.gain.centre_hz == 14.1e9
    assert device_file.absolute_maximum.gate_current_a == pytest.approx(8e-3)


@pytest.mark.parametrize(
    ("line", "instead", "expected"),
    [
        ("  threshold: -1.6 V", "  threshold: -1.6", "no unit"),
        ("  ripple: 0.12 dB", "  riple: 0.12 dB", "ripple"),
        ("  knee_voltage: 0.7 V", "  knee_voltage: 7 V", "knee_voltage"),
        ("  temperature_db_per_k: -0.028", "  temperature_db_per_k: 0.028", "temperature_db_per_k"),
        ("  ambient: 23 degC", "", "ambient"),
    ],
)
def test_a_mistake_is_refused_by_name(tmp_path: Path, line: str, instead: str, expected: str) -> None:
    """A spelling mistake must not become a nominal value."""
    text = KD14.read_text(encoding="utf-8")
    assert line in text
    path = tmp_path / "device.yaml"
    path.write_text(text.replace(line, instead), encoding="utf-8")

    with pytest.raises(FileError, match=expected) as caught:
        load_device_file(path)
    assert len(caught.value.mistakes) >= 1
