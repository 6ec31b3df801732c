"""
Drills: every fault at many seeded moments of a rehearsal, and what became of the part, the ledger and the record.

offer (which faults there are), moments (where in the run they come), one (one rehearsal with one fault, judged), all (many,
on several processes), table (for a person).
"""

from benchkit.drill.all import Drilled, drill
from benchkit.drill.offer import Offer, offers
from benchkit.drill.one import Row, carry_out
from benchkit.drill.table import drill_table

__all__ = ["Drilled", "Offer", "Row", "carry_out", "drill", "drill_table", "offers"]
