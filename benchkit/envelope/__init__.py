"""Limits of both files brought to one set of planes; the proof before power. Pure."""

from benchkit.envelope.envelope import Envelope, Margin, prove
from benchkit.envelope.needs import Need, needs

__all__ = ["Envelope", "Margin", "Need", "needs", "prove"]
