"""For tests of drivers, ours and yours: a scripted link, a clock that can be pushed, conformance checks per role."""

from benchkit.clock import VirtualClock
from benchkit.testing.scripted_link import ScriptedLink

__all__ = ["ScriptedLink", "VirtualClock"]
