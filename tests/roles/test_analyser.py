"""Spectrum analysers: lines, traces, and settings that the uncertainty of a reading hangs on."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from benchkit.errors import InstrumentError, LimitError, MisuseError, ReplyError
from benchkit.roles.analyser_ratings import floor_dbm, own_second_dbm, own_third_dbm
from tests.drivers import desk
from tests.drivers.desk import b_block

TRACE = ":INIT:IMM;*WAI;:TRAC? TRACE1"


def test_lines_are_read_one_narrow_sweep_each_in_the_order_asked_for():
    analyser, link = desk.analyser()
    analyser.set_span(1e5)
    analyser.arm_levels((14.12e9, 14.13e9, 14.11e9))

    assert analyser.collect_levels() == (-14.12, -14.13, -14.11)
    assert link.sent[-1] == ":FREQ:CENT 14110000000;:CALC:MARK1:X 14110000000;:INIT:IMM;*WAI;:CALC:MARK1:Y?"


def test_whoever_waits_is_told_how_long_each_sweep_takes_while_it_is_under_way():
    """So that other instruments are looked at meanwhile; what it raises leaves a reading that can be given up."""
    analyser, link = desk.analyser()
    told: list[tuple[float, bool]] = []
    analyser.arm_levels((14.12e9, 14.13e9))

    def wait(sweep_s: float) -> float:
        told.append((sweep_s, link.is_waiting))
        return 0.0

    analyser.collect_levels(wait)

    assert told == [(0.1, True), (0.1, True)]

    def refuse(_: float) -> float:
        raise LimitError("drain current", 0.5, 0.48, "A", "a wall")

    analyser.arm_sweep()
    with pytest.raises(LimitError, match="drain current"):
        analyser.collect_sweep(refuse)
    analyser.abandon()
    analyser.arm_levels((14.12e9,))
    assert analyser.collect_levels() == (-14.12,)


def test_a_line_lost_on_the_way_leaves_nothing_due():
    analyser, link = desk.analyser()
    second = ":FREQ:CENT 14130000000;:CALC:MARK1:X 14130000000;:INIT:IMM;*WAI;:CALC:MARK1:Y?"
    link.replies[second] = "rubbish"
    analyser.arm_levels((14.12e9, 14.13e9))

    with pytest.raises(ReplyError):
        analyser.collect_levels()
    assert not analyser.is_armed
    analyser.arm_levels((14.12e9,))
    assert analyser.collect_levels() == (-14.12,)


def test_a_line_above_what_its_input_stands_is_a_limit():
    analyser, link = desk.analyser()
    link.replies[":FREQ:CENT 14000000000;:CALC:MARK1:X 14000000000;:INIT:IMM;*WAI;:CALC:MARK1:Y?"] = "30.5"
    analyser.arm_levels((14e9,))

    with pytest.raises(LimitError, match="input_max"):
        analyser.collect_levels()


def test_a_trace_comes_with_its_frequencies():
    analyser, _ = desk.analyser()
    analyser.set_center(14e9)
    analyser.set_span(2e9)
    analyser.set_points(5)
    analyser.arm_sweep()

    frequencies, levels = analyser.collect_sweep()

    assert frequencies.tolist() == [13e9, 13.5e9, 14e9, 14.5e9, 15e9]
    assert levels == pytest.approx(-31.5 - 0.001 * np.arange(5))


def test_a_trace_in_watts_is_brought_to_dbm_and_what_is_no_level_is_nan():
    values = (1e-3, 1e-6, -1e-9, 9.91e37, 2e-3)
    analyser, _ = desk.analyser(**{":UNIT:POW?": "W", TRACE: b_block(struct.pack(">5d", *values))})
    analyser.set_points(5)
    analyser.arm_sweep()

    _, levels = analyser.collect_sweep()

    assert levels[[0, 1, 4]] == pytest.approx([0.0, -30.0, 3.0103])
    assert np.isnan(levels[2:4]).all()


def test_a_trace_of_another_length_than_the_axis_is_refused():
    """A trace laid over the wrong frequencies puts every spur in the wrong place."""
    analyser, _ = desk.analyser(**{TRACE: b_block(struct.pack(">4d", 1, 2, 3, 4))})
    analyser.set_points(5)
    analyser.arm_sweep()

    with pytest.raises(ReplyError, match="4 numbers instead of 5"):
        analyser.collect_sweep()


def test_a_peak_above_what_its_input_stands_is_a_limit():
    analyser, _ = desk.analyser(**{TRACE: b_block(struct.pack(">2d", -50.0, 31.0))})
    analyser.set_points(2)
    analyser.arm_sweep()

    with pytest.raises(LimitError, match="input_max"):
        analyser.collect_sweep()


def test_an_attenuation_it_did_not_take_is_refused():
    """Distortion and noise of every reading hang on it."""
    analyser, _ = desk.analyser(**{":INP:ATT?": "12"})

    with pytest.raises(InstrumentError, match="reads back as 12 dB after 11 dB was set"):
        analyser.set_attenuation(11.0)


def test_what_was_armed_one_way_is_not_collected_another():
    analyser, _ = desk.analyser()
    analyser.arm_sweep()
    with pytest.raises(MisuseError, match="what was armed is the sweep"):
        analyser.collect_levels()
    analyser.collect_sweep()
    analyser.arm()
    with pytest.raises(MisuseError, match="what was armed is the marker"):
        analyser.collect_sweep()


def test_a_narrow_filter_is_waited_for():
    analyser, link = desk.analyser(**{":SWE:TIME?": "120"})
    waited = []
    answer = link.answer
    link.answer = lambda *, timeout_s: (waited.append(timeout_s), answer(timeout_s=timeout_s))[1]
    analyser.arm()
    analyser.collect()

    assert waited[-1] >= 120.0


def test_its_own_noise_and_distortion_follow_its_settings():
    """dB for dB with attenuation and bandwidth; third order gains 2 dB and second 1 dB per dB of attenuation."""
    analyser, _ = desk.analyser(**{":BAND?": "1000"})
    assert np.isnan(analyser.noise_floor_dbm)
    analyser.set_resolution_bandwidth(1e3)
    analyser.set_attenuation(10.0)

    assert analyser.noise_floor_dbm == pytest.approx(-150.0 + 30.0 + 10.0)
    assert analyser.own_third_dbm(0.0) == pytest.approx(-2 * (15.0 + 10.0))
    assert analyser.own_second_dbm(0.0) == pytest.approx(-(45.0 + 10.0))


def test_a_rating_that_is_not_stated_is_no_number():
    assert np.isnan(floor_dbm(None, 1e3, 10.0))
    assert np.isnan(own_third_dbm(None, 0.0, 10.0))
    assert np.isnan(own_second_dbm(None, 0.0, 10.0))
