"""
The bench: its file, its paths, opening and closing the lot.

model (the file as models), paths (loss over frequency), loss_table and loss_touchstone (reading them), tables (paths of
one file), checks (what must hold between keys), load (the front door), open (instruments; imported on its own, since it
brings in the wire).
"""

from benchkit.bench.load import Bench, load_bench, load_bench_text
from benchkit.bench.model import BenchFile
from benchkit.bench.paths import LossPath

__all__ = ["Bench", "BenchFile", "LossPath", "load_bench", "load_bench_text"]
