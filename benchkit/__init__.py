"""
benchkit: automated bench characterisation of microwave power amplifiers.

How the rooms stack; each imports only from those before it (DEVELOPERS.md draws the same list, `.ci/run` checks it):

version, errors, quantities, clock, files, scpi, link, roles, bench, testing, results, measurements, sequence, plan, envelope,
record, engine, guardian, campaign, report, cli
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchkit.version import VERSION

if TYPE_CHECKING:
    from benchkit.campaign.shortcuts import open_record, rehearse, run

__all__ = ["__version__", "open_record", "rehearse", "run"]

__version__ = VERSION


def __getattr__(name: str) -> object:
    # Loaded when first used: `benchkit --help` must not wait for numpy.
    if name in ("open_record", "rehearse", "run"):
        from benchkit.campaign import shortcuts

        return getattr(shortcuts, name)
    raise AttributeError(f"module 'benchkit' has no attribute {name!r}")
