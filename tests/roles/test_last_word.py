"""An instrument that could not be verified off is told once more to switch off, by a way that needs no answer."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchkit.errors import BrokenLinkError, MakeSafeError, MisuseError
from benchkit.roles import RfOutput
from tests.drivers import desk


@pytest.mark.parametrize("make", [desk.source, desk.network_analyser])
def test_an_rf_output_that_does_not_answer_is_told_to_switch_off_all_the_same(make: Callable[..., tuple[RfOutput, desk.Desk]]):
    """It may still listen. It stays unverified, and make safe says so."""
    source, link = make(**{":OUTP?;*IDN?": BrokenLinkError("rf_source", "*IDN? is not answered")})

    with pytest.raises(MakeSafeError, match="not answered"):
        source.make_safe()

    assert link.shouted == [":OUTP OFF"]


def test_only_the_output_that_could_not_be_verified_is_told():
    """The other may be the gate that holds the device off."""
    supply, link = desk.supply(**{":OUTP? (@1);*IDN?": BrokenLinkError("supply", "*IDN? is not answered")})

    with pytest.raises(MakeSafeError):
        supply.make_output_safe(1)

    assert link.shouted == [":OUTP OFF,(@1)"]


def test_an_instrument_that_answers_is_not_shouted_at():
    source, link = desk.source()

    source.make_safe()

    assert link.shouted == []


def test_nothing_can_be_asked_that_way():
    """Nobody would read the answer; it would become the next one."""
    _, link = desk.source()

    with pytest.raises(MisuseError):
        link.shout(":OUTP?")
