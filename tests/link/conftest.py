"""Fixtures of the link's tests: loopback instruments, links and plain pyvisa resources, all closed at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
import pyvisa
from loopback_instrument import Behaviour, LoopbackInstrument

from benchkit.clock import WallClock
from benchkit.link import Library, VisaLink, open_library


@pytest.fixture(autouse=True)
def _claims_in_a_folder_of_the_test(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def library() -> Library:
    return open_library("py", WallClock())


@pytest.fixture
def instrument() -> Iterator[Callable[..., LoopbackInstrument]]:
    """Make an instrument that behaves as told."""
    made: list[LoopbackInstrument] = []

    def make(behave: Behaviour, **options) -> LoopbackInstrument:
        made.append(LoopbackInstrument(behave, **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def link(library) -> Iterator[Callable[..., VisaLink]]:
    """Open a link to an instrument."""
    made: list[VisaLink] = []

    def make(instrument: LoopbackInstrument, **options) -> VisaLink:
        made.append(VisaLink("loop", instrument.address, library, WallClock(), **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def plain() -> Iterator[Callable[..., pyvisa.resources.MessageBasedResource]]:
    """Open an instrument by plain pyvisa, terminated as it must be on a socket."""
    made = []

    def make(instrument: LoopbackInstrument, *, timeout_ms: int = 2000):
        manager = pyvisa.ResourceManager("@py")
        resource = manager.open_resource(instrument.address, read_termination="\n", write_termination="\n", timeout=timeout_ms)
        made.append(resource)
        return resource

    yield make
    for one in made:
        one.close()
