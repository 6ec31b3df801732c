"""Names for new files."""

from __future__ import annotations

from pathlib import Path

from benchkit.sequence.load import Sequence

__all__ = ["new_record_path"]


def new_record_path(sequence: Sequence, unit: str, verb: str) -> Path:
    """A name in the present folder that tells sequence, unit and moment, e.g. kd14_overnight_L07-W1-01_rehearsal.h5."""
    stem = f"{sequence.path.stem}_{unit}_{verb}"
    path, number = Path(f"{stem}.h5"), 2
    while path.exists():
        path, number = Path(f"{stem}_{number}.h5"), number + 1
    return path
