"""
Limits of both files brought to one set of planes; the proof before power. Pure.

How it stacks: interval, margins -> path_loss, rf_levels, dc, protections -> chain, stretches -> rf_bands, rf_walls, rf, drain,
gate, chamber, wiring, order -> envelope; needs and cautions stand beside.
"""

from benchkit.envelope.cautions import cautions
from benchkit.envelope.envelope import Envelope, prove
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Margin, Point
from benchkit.envelope.needs import Need, needs
from benchkit.envelope.protections import Protection, SupplyProtection, drain_protection, gate_protection

__all__ = [
    "Envelope",
    "Interval",
    "Margin",
    "Need",
    "Point",
    "Protection",
    "SupplyProtection",
    "cautions",
    "drain_protection",
    "gate_protection",
    "needs",
    "prove",
]
