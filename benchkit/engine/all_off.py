"""Before a hand is asked to touch anything, and while a device is said to be unpowered: what can give RF or DC reads off."""

from __future__ import annotations

from benchkit.bench.open import OpenBench
from benchkit.errors import InstrumentError
from benchkit.roles import NetworkAnalyser, Source, Supply

__all__ = ["require_all_off", "require_supplies_off"]


def require_all_off(bench: OpenBench, because: str) -> None:
    """
    RF of every open source and network analyser, and every output of every open supply: a hand knows no channels.

    Args:
        because: What is about to be done, for the message.

    Raises:
        InstrumentError: One reads on.
    """
    for name, instrument in bench.instruments.items():
        if isinstance(instrument, Source | NetworkAnalyser) and instrument.is_output_on():
            raise InstrumentError(name, f"RF reads on, and {because}. Switch it off by hand")
    require_supplies_off(bench, because)


def require_supplies_off(bench: OpenBench, because: str) -> None:
    """
    Every output of every open supply: of both channels of a dual part, whether the plan visits them or not.

    Raises:
        InstrumentError: One reads on.
    """
    for name, instrument in bench.instruments.items():
        if isinstance(instrument, Supply):
            for output in instrument.channels:
                if instrument.is_output_on(output):
                    raise InstrumentError(name, f"output {output} reads on, and {because}. Switch it off by hand")
