"""
Where in a run faults come: moments drawn from a seed, half of them over time and half over what is said.

Over time alone a night's drills would all hit the soaks; over messages alone none would. A fault of this computer sees no
messages: its other half is drawn over the points.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchkit.drill.offer import Offer
from benchkit.fault_text import FaultText, When

__all__ = ["Reference", "draw"]


@dataclass(frozen=True)
class Reference:
    """
    The same rehearsal without a fault.

    Attributes:
        duration_s: From the first message to the last. [s]
        messages: Sent to all instruments.
        results: (parameter, qualifier, condition) to value and expanded uncertainty.
    """

    duration_s: float
    messages: int
    points: int
    results: dict[str, tuple[float, float]]


def draw(offer: Offer, reference: Reference, used: Sequence[str], instants: int, seed: int) -> Iterator[FaultText]:
    """
    `instants` moments of one fault; one seed, one list.

    Args:
        used: Instruments of the run; in any of these that the fault can be in, drawn too.
    """
    # A generator for each fault: leaving one out moves no other.
    rng = random.Random(f"{seed}/{offer.name}")
    places = [name for name in offer.instruments if name in used]
    for index in range(instants):
        instrument = rng.choice(places) if places else ""
        if index % 2 == 0:
            when = When("time", round(rng.uniform(0.0, reference.duration_s), 4))
        elif offer.is_of_bench:
            when = When("message", rng.randint(1, reference.messages))
        elif reference.points:
            when = When("point", rng.randrange(reference.points))
        else:
            # What is all done before the first condition has no points, and not every fault can wait for a message.
            when = When("time", round(rng.uniform(0.0, reference.duration_s), 4))
        yield FaultText(offer.name, instrument, when)
