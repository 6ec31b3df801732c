"""Whatever is in a file, loading it ends in a model or in a FileError: never a traceback, never a hang."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.bench import load_bench, load_bench_text
from benchkit.bench.loss_table import read_loss_table
from benchkit.bench.loss_touchstone import read_touchstone
from benchkit.errors import FileError, Mistake
from benchkit.sequence import load_sequence, load_sequence_text
from tests.files.samples import BENCH, INPUT_TABLE, SEQUENCE, TABLES

TOUCHSTONE = "# GHZ S RI R 50\n1 .1 0 .2 0 .2 0 .1 0\n2 .1 0 .2 0 .2 0 .1 0 ! end\n"
PIECES = [
    "{", "}", "[", "]", ":", ": ", " ", "  ", "\n", "\n  ", "- ", "? ", "&a ", "*a", "!!str ", "| ", "> ", "'", '"', "#", "%",
    "@", "`", "\t", "\r\n", "---\n", "...\n", "<<: ", "\ufeff", "\x85", "\u2028", "\\", "\x00", "null", "true", "no", ".nan",
    "-.inf", "1e3", "1e999", "0x1", "9" * 80, "5 V", "14 GHz", "-20 dBm", "nan Hz", "1e400 Hz", "25 degC", "from", "to", "step",
    "points", "role", "kind", "source", "compression", "R", "GHZ", "1,2", "\U0001f600", "\u0661",
]  # fmt: skip
Load = Callable[[str], object]


def from_file(load: Callable[[Path], object], content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "f.yaml"
        path.write_bytes(content)
        ends_well(lambda _: load(path), "")


def ends_well(load: Load, text: str) -> None:
    mistakes: tuple[Mistake, ...] = ()
    try:
        load(text)
    except FileError as error:
        mistakes = error.mistakes or (Mistake("", None, "", "x" * 9999),)  # an error without a mistake helps nobody
    assert all(len(str(mistake)) < 2000 for mistake in mistakes)


def bench(text: str) -> object:
    return load_bench_text(text, "bench.yaml", TABLES)


def sequence(text: str) -> object:
    return load_sequence_text(text, "sequence.yaml")


def table(text: str) -> object:
    return read_loss_table(text.encode("utf-8", "replace"), "t.csv")


def touchstone(text: str) -> object:
    return read_touchstone(text.encode("utf-8", "replace"), "t.s2p", "S21")


@st.composite
def mutations(draw: st.DrawFn, text: str) -> str:
    """A right file with a few cuts, insertions and lines moved about."""
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.integers(0, 15)))
        kind = draw(st.sampled_from(("cut", "put", "line", "value")))
        if kind == "line":
            lines = text.split("\n")
            line = lines.pop(draw(st.integers(0, len(lines) - 1)))
            if draw(st.booleans()):
                lines.insert(draw(st.integers(0, len(lines))), line)
            text = "\n".join(lines)
        elif kind == "value":
            lines = text.split("\n")
            at = draw(st.integers(0, len(lines) - 1))
            lines[at] = lines[at].partition(":")[0] + ": " + "".join(draw(st.lists(st.sampled_from(PIECES), max_size=3)))
            text = "\n".join(lines)
        else:
            put = "" if kind == "cut" else draw(st.sampled_from(PIECES) | st.text(max_size=3))
            text = text[:start] + put + text[end if kind == "cut" else start :]
    return text


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=300))
def test_random_bytes_are_never_more_than_a_mistake(content: bytes) -> None:
    """A photograph, a record, half a download."""
    from_file(load_bench, content)
    from_file(load_sequence, content)


@pytest.mark.parametrize("load", [bench, sequence, table, touchstone])
@settings(deadline=None, max_examples=60)
@given(pieces=st.lists(st.sampled_from(PIECES), max_size=40))
def test_text_of_the_languages_own_pieces_is_never_more_than_a_mistake(load: Load, pieces: list[str]) -> None:
    """Brackets, quotes, anchors and numbers in no order at all reach further into a reader than noise."""
    ends_well(load, "".join(pieces))


@pytest.mark.parametrize(
    ("load", "text"),
    [(bench, BENCH), (sequence, SEQUENCE), (table, INPUT_TABLE.decode()), (touchstone, TOUCHSTONE)],
)
@settings(deadline=None, max_examples=80)
@given(data=st.data())
def test_a_right_file_with_a_few_slips_is_never_more_than_a_mistake(load: Load, text: str, data: st.DataObject) -> None:
    """What people really write: a right file with something wrong in it."""
    ends_well(load, data.draw(mutations(text)))
