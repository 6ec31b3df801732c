"""A sequence of a million points loads like one of ten."""

from __future__ import annotations

import tracemalloc

from benchkit.sequence import Sequence, load_sequence_text
from tests.files.samples import SEQUENCE

FINE = SEQUENCE.replace("step: 125 MHz", "step: 10 kHz").replace("step: 1 dB}", "step: 0.1 dB}")


def test_a_million_points_take_no_more_memory_than_ten() -> None:
    """Axes are lazy: nothing is listed until it is measured."""
    load_sequence_text(FINE, "warm.yaml")

    def peak(text: str) -> tuple[int, Sequence]:
        tracemalloc.start()
        try:
            sequence = load_sequence_text(text, "s.yaml")
            return tracemalloc.get_traced_memory()[1], sequence
        finally:
            tracemalloc.stop()

    few_bytes, few = peak(SEQUENCE)
    many_bytes, many = peak(FINE)

    assert few.file.measurements[1].point_count() == 7 * 22
    assert many.file.measurements[1].point_count() == 75_001 * 211
    assert many_bytes < 1.2 * few_bytes
