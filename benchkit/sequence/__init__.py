"""
The sequence: its file, and what must hold in it.

model (the file as models), checks (between keys), load (the front door; the only one that imports the kinds).
"""

from benchkit.sequence.load import Sequence, load_sequence, load_sequence_text, sequence_model
from benchkit.sequence.model import SequenceFile

__all__ = ["Sequence", "SequenceFile", "load_sequence", "load_sequence_text", "sequence_model"]
