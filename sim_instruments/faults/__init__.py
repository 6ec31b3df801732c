"""
What can go wrong with the bench on purpose.

base (what a fault is); supplies, source, replies, connections, chamber, device (the faults); judgement (whose doing a ledger
entry is); fate (brings them in time); catalogue (by name). How a fault is written: benchkit/fault_text.py.
"""

from sim_instruments.faults.base import Excuse, Scene, TwinFault
from sim_instruments.faults.catalogue import FAULTS, drills, places, read_faults
from sim_instruments.faults.fate import Fate, Planned, Whereabouts
from sim_instruments.faults.judgement import AT_MOST_S, REACTION_S, Judge, Struck

__all__ = [
    "AT_MOST_S",
    "FAULTS",
    "REACTION_S",
    "Excuse",
    "Fate",
    "Judge",
    "Planned",
    "Scene",
    "Struck",
    "TwinFault",
    "Whereabouts",
    "drills",
    "places",
    "read_faults",
]
