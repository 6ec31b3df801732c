"""Make safe: off, read back, never keeping the next instrument from being made safe, never taken in by a late answer."""

from __future__ import annotations

import pytest

from benchkit.errors import BenchkitError, BrokenLinkError, ClosedError, LinkTimeout, MakeSafeError
from tests.drivers import desk

ON, OFF = f"1;{desk.IDENTITY}", f"0;{desk.IDENTITY}"


def test_rf_goes_off_and_is_read_back_with_a_question_that_no_late_answer_fits():
    source, link = desk.source()
    source.output_on()
    link.sent.clear()

    source.make_safe()

    assert link.sent == [":OUTP OFF", ":OUTP?;*IDN?"]


def test_an_answer_that_is_due_is_abandoned_first():
    """Otherwise the reading would be read as the answer to `is it off?`."""
    supply, link = desk.supply()
    supply.arm((1,))

    supply.make_safe()

    assert link.abandoned == [":MEAS:VOLT? (@1);:MEAS:CURR? (@1)"]


def test_a_late_reading_is_not_taken_for_off():
    """`0.0`, or `0;0`, is a reading of a detector at rest; read as a state it would say that all is well."""
    for late in ("0.0", "0", "0;0", "0;-1.2E-06;0;0"):
        source, _ = desk.source(**{":OUTP?;*IDN?": late})

        with pytest.raises(MakeSafeError, match="rf_source"):
            source.make_safe()


def test_an_output_that_reads_on_after_it_was_switched_off_is_told():
    source, link = desk.source(**{":OUTP?;*IDN?": ON})

    with pytest.raises(MakeSafeError, match="RF reads on after it was switched off"):
        source.make_safe()

    assert link.sent.count(":OUTP OFF") == 2


def test_a_broken_connection_is_tried_once_more():
    """The link makes a new connection with the next verb."""
    source, link = desk.source(**{":OUTP OFF": [BrokenLinkError("rf_source", "reset by peer"), "x"]})
    link.replies[":OUTP?;*IDN?"] = OFF

    source.make_safe()

    assert link.sent == [":OUTP OFF", ":OUTP OFF", ":OUTP?;*IDN?"]


@pytest.mark.parametrize("trouble", [LinkTimeout("rf_source", "mute"), OSError("no route"), RuntimeError("a bug")])
def test_whatever_goes_wrong_is_one_kind_of_error_so_that_the_bench_can_go_on(trouble):
    source, _ = desk.source(**{":OUTP?;*IDN?": trouble})

    with pytest.raises(MakeSafeError) as caught:
        source.make_safe()

    assert isinstance(caught.value, BenchkitError)
    assert str(trouble) in str(caught.value)
    assert caught.value.__cause__ is trouble


def test_the_drains_output_goes_off_before_the_gates():
    """Without its gate a depletion-mode part draws all that its drain supply gives."""
    supply, link = desk.supply()

    supply.make_safe()

    assert [text for text in link.sent if text.startswith(":OUTP OFF")] == [":OUTP OFF,(@2)", ":OUTP OFF,(@1)"]


def test_a_gate_stays_when_its_drain_cannot_be_verified_off():
    supply, link = desk.supply(**{":OUTP? (@2);*IDN?": ON})

    with pytest.raises(MakeSafeError) as caught:
        supply.make_safe()

    assert len(caught.value.failures) == 2
    assert "output 2" in caught.value.failures[0]
    assert "output 1: left as it is" in caught.value.failures[1]
    assert ":OUTP OFF,(@1)" not in link.sent


def test_a_gate_that_fails_does_not_keep_anything_on():
    supply, _ = desk.supply(**{":OUTP? (@1);*IDN?": ON})

    with pytest.raises(MakeSafeError, match="output 1"):
        supply.make_safe()

    assert not supply.is_output_on(2)


def test_one_output_can_be_made_safe_alone():
    supply, link = desk.supply()

    supply.make_output_safe(2)

    assert link.sent == [":OUTP OFF,(@2)", ":OUTP? (@2);*IDN?"]


def test_close_lets_go_even_if_it_cannot_be_made_safe_and_says_so():
    source, link = desk.source(**{":OUTP?;*IDN?": ON})

    with pytest.raises(MakeSafeError):
        source.close()

    assert source.is_closed
    assert link.is_closed
    source.close()
    with pytest.raises(ClosedError):
        source.output_on()


def test_release_switches_nothing():
    supply, link = desk.supply()

    supply.release()

    assert link.sent == []
    assert link.is_closed


def test_a_switch_moves_no_contact():
    """Under power a contact that opens burns; RF goes off at its source."""
    switch, link = desk.switch()
    switch.connect((101, 201))
    link.sent.clear()

    switch.prepare()
    switch.make_safe()

    assert not any("OPEN" in text or "CLOS " in text or "RST" in text for text in link.sent)
