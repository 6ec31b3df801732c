"""Path loss from Touchstone files: against the format's published example, its arithmetic, and scikit-rf's mathematics."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
import skrf

from benchkit.bench import load_bench_text
from benchkit.bench.loss_touchstone import read_touchstone
from benchkit.errors import FileError
from tests.files.samples import BENCH

# Touchstone File Format Specification, Rev 1.1 (EIA/IBIS Open Forum, 2002), example 4, numbers as printed. For two ports
# the columns are S11, S21, S12, S22.
EXAMPLE_4 = b"""\
# GHZ S RI R 50.0
!freq ReS11 ImS11 ReS21 ImS21 ReS12 ImS12 ReS22 ImS22
1.0000 0.3926 -0.1211 -0.0003 -0.0021 -0.0003 -0.0021 0.3926 -0.1211
2.0000 0.3517 -0.3054 -0.0096 -0.0298 -0.0096 -0.0298 0.3517 -0.3054
10.000 0.3419  0.3336 -0.0134  0.0379 -0.0134  0.0379 0.3419  0.3336
"""


def test_the_published_example_has_the_loss_its_numbers_say() -> None:
    """-20 lg |S21| of the printed real and imaginary parts, by hand: 53.4679 dB, 30.0869 dB, 27.9158 dB."""
    frequencies, losses = read_touchstone(EXAMPLE_4, "example.s2p", "S21")

    assert frequencies == (1e9, 2e9, 10e9)
    by_hand = [-10 * math.log10(re * re + im * im) for re, im in ((-0.0003, -0.0021), (-0.0096, -0.0298), (-0.0134, 0.0379))]
    assert losses == pytest.approx(by_hand, abs=1e-9)
    assert losses == pytest.approx((53.4679, 30.0869, 27.9158), abs=2e-4)


@pytest.mark.parametrize("form", ["ma", "db", "ri"])
@pytest.mark.parametrize("unit", ["Hz", "kHz", "MHz", "GHz"])
def test_every_format_and_unit_gives_the_same_path(form: str, unit: str) -> None:
    """The option line's formats and units (Rev 1.1) are ways of writing one thing; scikit-rf writes them."""
    network = _network(EXAMPLE_4)
    network.frequency.unit = unit
    text = network.write_touchstone("example", return_string=True, form=form, r_ref=50)

    frequencies, losses = read_touchstone(text.encode(), "example.s2p", "S12")

    assert frequencies == pytest.approx((1e9, 2e9, 10e9), rel=1e-12)
    assert losses == pytest.approx(read_touchstone(EXAMPLE_4, "example.s2p", "S12")[1], abs=1e-6)


def test_a_file_in_another_impedance_is_brought_to_fifty_ohm() -> None:
    """
    A 50 ohm, 20 dB attenuator written in 75 ohm has another |S21| there. Matched in 50 ohm (S11 = S22 = 0, reciprocal),
    its loss in 50 ohm is 20 dB by construction, whatever the file's reference.
    """
    frequency = skrf.Frequency(13.0, 15.0, 5, unit="GHz")
    s = np.zeros((5, 2, 2), dtype=complex)
    s[:, 0, 1] = s[:, 1, 0] = 0.1
    attenuator = skrf.Network(frequency=frequency, s=s, z0=50.0)
    in_75_ohm = attenuator.copy()
    in_75_ohm.renormalize(75.0)
    text = in_75_ohm.write_touchstone("pad", return_string=True, r_ref=75.0)
    assert abs(in_75_ohm.s[0, 1, 0]) != pytest.approx(0.1, rel=1e-3)

    _, losses = read_touchstone(text.encode(), "pad.s2p", "S21")

    assert losses == pytest.approx((20.0,) * 5, abs=1e-6)


def test_two_paths_in_a_row_lose_what_scikit_rf_says_they_lose() -> None:
    """Interpolated between the rows as scikit-rf does for a loss that is linear in frequency; at the rows exactly."""
    frequency = skrf.Frequency(13.5, 14.6, 12, unit="GHz")
    loss_db = 11.0 + 0.5 * (frequency.f - 13.5e9) / 1.1e9
    s = np.zeros((12, 2, 2), dtype=complex)
    s[:, 1, 0] = s[:, 0, 1] = 10 ** (-loss_db / 20)
    network = skrf.Network(frequency=frequency, s=s, z0=50.0)
    text = network.write_touchstone("cable", return_string=True, form="ri")
    bench = BENCH.replace("{table: paths/input.csv}", "{touchstone: cable.s2p}\n    uncertainty: 0.1 dB")

    path = load_bench_text(bench, "bench.yaml", {"cable.s2p": text.encode()}).paths["input"]

    for hz, expected_db in zip(frequency.f, -20 * np.log10(np.abs(network.s[:, 1, 0])), strict=True):
        assert path.loss_db(float(hz)) == pytest.approx(expected_db, abs=1e-9)
    assert path.loss_db(14.05e9) == pytest.approx(11.0 + 0.5 * 0.55 / 1.1, abs=1e-6)
    assert path.uncertainty_db(14.05e9) == 0.1


@pytest.mark.parametrize(
    ("content", "name", "says"),
    [
        (EXAMPLE_4, "example.csv", "ends in .s2p"),
        (b"", "example.s2p", "."),
        (b"\xff\xfe\x00junk", "example.s2p", "."),
        (EXAMPLE_4.replace(b"10.000", b"1.5000"), "example.s2p", "does not ascend"),
        (EXAMPLE_4.replace(b"-0.0003 -0.0021", b"0 0"), "example.s2p", "."),
        (b"# GHZ S RI R 50\n1 0 0 .1 0 .1 0 0 0\n", "example.s2p", "two at least"),
    ],
)
def test_a_file_that_gives_no_path_is_refused_by_name(content: bytes, name: str, says: str) -> None:
    """Whatever the reader trips over becomes a mistake that names the file."""
    with pytest.raises(FileError, match=says) as caught:
        read_touchstone(content, name, "S21")

    assert caught.value.mistakes[0].file == name


def test_noise_data_after_the_network_data_are_left_alone() -> None:
    """Rev 1.1: noise begins where the frequency falls back to or below the last; five numbers a row. It is no loss."""
    with_noise = EXAMPLE_4 + b"2.0 1.1 0.5 30.0 0.2\n8.0 1.4 0.6 60.0 0.3\n"

    assert read_touchstone(with_noise, "example.s2p", "S21") == read_touchstone(EXAMPLE_4, "example.s2p", "S21")


def _network(content: bytes) -> skrf.Network:
    file = io.StringIO(content.decode())
    file.name = "example.s2p"
    network = skrf.Network()
    network.read_touchstone(file)
    return network
