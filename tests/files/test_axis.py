"""Axes: lazy, exact, and strict about what a range is."""

from __future__ import annotations

import copy
import pickle
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import Field, ValidationError

from benchkit.errors import FileError
from benchkit.files.types import Axis, CelsiusAxis, DbmAxis, FileModel, HertzAxis, VoltsAxis
from benchkit.files.validate import validate
from benchkit.files.yaml import load_yaml_text


class Axes(FileModel):
    frequency: HertzAxis | None = None
    drive: DbmAxis | None = None
    supply: VoltsAxis | None = None
    temperature: CelsiusAxis | None = None


def read(text: str) -> Axes:
    return validate(load_yaml_text(text, "n.yaml"), Axes)


def only(axis: Axis | None) -> list[float]:
    assert axis is not None
    return list(axis)


def test_every_way_of_writing_an_axis_gives_its_values() -> None:
    """A single value, a list in any order, a step (in dB for levels, in K for temperatures), or a number of points."""
    assert only(read("supply: 6 V").supply) == [6.0]
    assert only(read("temperature: [25 degC, -30 degC]").temperature) == [25.0, -30.0]
    assert only(read("drive: {from: -1 dBm, to: 1 dBm, step: 0.5 dB}").drive) == [-1.0, -0.5, 0.0, 0.5, 1.0]
    assert only(read("temperature: {from: -10 degC, to: 10 degC, step: 10 K}").temperature) == [-10.0, 0.0, 10.0]
    assert only(read("frequency: {from: 1 GHz, to: 2 GHz, points: 3}").frequency) == [1e9, 1.5e9, 2e9]


def test_segments_are_a_list_of_ranges_and_may_share_their_ends() -> None:
    """Fine across the band, coarse around it."""
    segments = "[{from: 1 GHz, to: 2 GHz, step: 500 MHz}, {from: 2 GHz, to: 2.2 GHz, points: 3}, 5 GHz]"
    assert only(read(f"frequency: {segments}").frequency) == [1e9, 1.5e9, 2e9, 2.1e9, 2.2e9, 5e9]


@pytest.mark.parametrize(
    ("segments", "place", "says"),
    [
        ("[1 GHz, {from: 2 GHz, to: 3 GHz}]", "frequency[1]", "neither step nor points"),
        ("[1 GHz, {from: 2 GHz, to: 3 lightyears, points: 2}]", "frequency[1].to", "lightyears"),
        ("[{from: 1 GHz, to: 2 GHz, step: 300 MHz}]", "frequency[0]", "does not lead to 2 GHz"),
        ("[{from: 1 GHz, to: 2 GHz, points: 3}, {from: 1.5 GHz, to: 3 GHz, points: 2}]", "frequency", "is in it twice"),
    ],
)
def test_mistakes_within_a_segment_are_told_at_their_place(segments: str, place: str, says: str) -> None:
    with pytest.raises(FileError) as raised:
        read(f"frequency: {segments}")
    assert f"{place}: " in str(raised.value)
    assert says in str(raised.value)


@settings(deadline=None)
@given(st.integers(-2000, 2000), st.integers(1, 500), st.integers(1, 3000))
def test_a_range_has_exactly_the_values_that_its_decimals_say(first: int, step: int, steps: int) -> None:
    """-20 dBm in steps of 0.1 dB has -19.7, not -19.700000000000003, and ends where the author wrote that it ends."""
    begin, width, end = first / 100, step / 100, (first + step * steps) / 100

    axis = Axis.stepped(begin, end, width, "dBm")

    assert len(axis) == steps + 1
    assert axis[0] == begin
    assert axis[-1] == end == axis.maximum
    index = steps // 2
    assert axis[index] == float(Fraction(first + step * index, 100))
    assert axis[index] in axis
    assert axis[index] + width / 3 not in axis
    assert axis[index:][0] == axis[index]


def test_a_step_that_does_not_lead_to_the_end_is_a_mistake() -> None:
    """The end of a band is what is asked for; that it is not measured would be noticed in the report, if at all."""
    with pytest.raises(ValueError, match=r"does not lead to 1 V; it leads to 900 mV, then 1.2 V"):
        Axis.stepped(0.0, 1.0, 0.3, "V")


def test_ten_million_values_cost_nothing_until_they_are_asked_for() -> None:
    """A fine sweep over many conditions must check as fast as a coarse one."""
    axis = Axis.spaced(0.0, 1.0, 10_000_000, "V")

    assert len(axis) == 10_000_000
    assert axis[9_999_999] == 1.0
    assert axis[5_000_000:].minimum > 0.5
    assert 2.0 not in axis


@pytest.mark.parametrize(
    ("text", "key", "says"),
    [
        ("drive: {from: 0 dBm, to: 9 dBm, step: 0 dB}", "drive", "step: 0 is not above zero"),
        ("drive: {from: 0 dBm, to: 9 dBm, step: -1 dB}", "drive", "step: -1 is not above zero"),
        ("drive: {from: 9 dBm, to: 0 dBm, step: 1 dB}", "drive", "is below from: 9 dBm"),
        ("drive: {from: 9 dBm, to: 9 dBm, step: 1 dB}", "drive", "are both 9 dBm"),
        ("drive: {from: 0 dBm, to: 9 dBm, points: 1}", "drive", "fewer than 2"),
        ("drive: {from: 0 dBm, to: 9 dBm, points: 100000000}", "drive", "more than 10000000"),
        ("drive: {from: 0 dBm, to: 9 dBm, step: 1e-9 dB}", "drive", "is the step of the right unit?"),
        ("drive: {from: 0 dBm, to: 9 dBm, points: 3.5}", "drive.points", "3.5 is not a whole number"),
        ("drive: {from: 0 dBm, to: 9 dBm, points: true}", "drive.points", "not a whole number"),
        ("drive: {from: 0 dBm, to: 9 dBm}", "drive", "neither step nor points"),
        ("drive: {from: 0 dBm, to: 9 dBm, step: 1 dB, points: 3}", "drive", "both step and points"),
        ("drive: {from: 0 dBm, to: 9 dBm, step: 1 dBm}", "drive.step", "is a level; expected a level difference"),
        ("drive: {from: 0 dBm, to: 9 dBm, step: 1}", "drive.step", "1 has no unit; expected a level difference"),
        ("drive: {from: 0 dBm, step: 1 dB}", "drive.to", "missing; expected a level such as -20 dBm"),
        ("drive: {from: 0 dBm, to: 9 dBm, stpe: 1 dB}", "drive.stpe", "unknown key in a range"),
        ("drive: [1 dBm, 2]", "drive[1]", "2 has no unit"),
        ("drive: [1 dBm, 2 dBm, 1 dBm]", "drive", "1 dBm is in it twice"),
        ("drive: []", "drive", "is an empty list"),
        ("drive: 5", "drive", "5 has no unit; expected a level such as -20 dBm"),
        ("drive: [[1 dBm]]", "drive[0]", "is a list; expected a level"),
        ("frequency: [1 GHz, 0 Hz]", "frequency", "0 Hz is not above 0 Hz"),
        ("frequency: -1 GHz", "frequency", "-1 GHz is not above 0 Hz"),
        ("temperature: -300 degC", "temperature", "below absolute zero"),
    ],
)
def test_an_axis_that_cannot_be_says_where_and_why(text: str, key: str, says: str) -> None:
    """Each part of a range is a key of its own, and has its own line."""
    with pytest.raises(FileError) as caught:
        read("\n" + text)

    (mistake,) = [m for m in caught.value.mistakes if m.key == key]
    assert says in mistake.message
    assert mistake.line == 2


def test_all_parts_of_a_range_are_looked_at() -> None:
    """Every mistake at once."""
    with pytest.raises(FileError) as caught:
        read("drive:\n  from: 1\n  to: 2 dB\n  step: x\n")

    assert [(m.key, m.line) for m in caught.value.mistakes] == [("drive.from", 2), ("drive.to", 3), ("drive.step", 4)]


def test_from_python_floats_are_taken_in_the_base_unit() -> None:
    """Scripts and tests build models with floats; a file may not."""
    axes = Axes(frequency=14.1e9, drive=[-20.0, 0.0], supply={"from": 5.0, "to": 6.0, "step": 0.5})  # type: ignore[arg-type]

    assert only(axes.frequency) == [14.1e9]
    assert only(axes.drive) == [-20.0, 0.0]
    assert only(axes.supply) == [5.0, 5.5, 6.0]
    assert Axes(drive=axes.drive).drive is axes.drive
    with pytest.raises(ValidationError, match="an axis in V, not in dBm"):
        Axes(drive=axes.supply)
    with pytest.raises(ValidationError, match="not finite"):
        Axes(drive=float("nan"))  # type: ignore[arg-type]


def test_axes_compare_by_their_values_and_cannot_be_changed() -> None:
    """Two loads of one file are equal, and what was proved is what is run."""
    stepped = Axis.stepped(0.0, 1.0, 0.25, "V")

    assert stepped == Axis.of([0.0, 0.25, 0.5, 0.75, 1.0], "V") == Axis.spaced(0.0, 1.0, 5, "V")
    assert hash(stepped) == hash(Axis.spaced(0.0, 1.0, 5, "V"))
    assert stepped != Axis.of([0.0, 0.25, 0.5, 0.75, 1.0], "dBm")
    assert copy.deepcopy(stepped) == pickle.loads(pickle.dumps(stepped)) == stepped
    with pytest.raises(AttributeError):
        stepped.maximum = 5.0
    with pytest.raises(ValueError, match="at least one"):
        stepped[5:]


def test_a_bound_on_an_axis_is_never_passed_over_in_silence() -> None:
    """pydantic cannot compare an axis with a number; a kind that tries must find out at once."""

    class Bounded(FileModel):
        drive: DbmAxis = Field(gt=0)

    with pytest.raises((TypeError, ValidationError)):
        Bounded(drive=-5.0)  # type: ignore[arg-type]
