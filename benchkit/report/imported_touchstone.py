"""A Touchstone file as curves: two ports, 50 ohm, ascending frequency; read by scikit-rf."""

from __future__ import annotations

import re
import warnings
from pathlib import Path

import numpy as np

from benchkit.errors import FileError, Mistake
from benchkit.report.curves import UNPOWERED, Curve, s_curves
from benchkit.report.imported_order import order_mistakes
from benchkit.results.result import UNPOWERED_V, ResultCondition

__all__ = ["read_touchstone"]

REFERENCE_OHM = 50.0
NUMBERS_A_LINE = 9
SCALES = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}


def read_touchstone(path: Path, condition: ResultCondition) -> list[Curve]:
    """
    A file of the unpowered device, as its condition or its comments say (what `export` writes does), is of no other.

    Raises:
        FileError: It is no Touchstone file, not of two ports, not 50 ohm, too short, or not in ascending order.
    """
    # scipy and all: only a report with such a file waits for it.
    import skrf

    name = str(path)
    by_name = re.fullmatch(r"\.s(\d+)p", path.suffix, re.IGNORECASE)
    if by_name and int(by_name[1]) != 2:
        raise FileError([Mistake(name, None, "", _ports(int(by_name[1])))])
    try:
        with warnings.catch_warnings():
            # What it only warns of, we look at ourselves.
            warnings.simplefilter("ignore")
            found = skrf.Network(str(path))
            hz, s, reference = np.array(found.f, dtype=float), np.array(found.s, dtype=complex), np.array(found.z0)
    # scikit-rf's parser raises whatever its first wrong conversion or index does.
    except Exception as error:
        why = f"{type(error).__name__}: {error}"
        message = f"is no Touchstone file ({why}); expected an option line such as '# GHz S MA R 50' and nine numbers a line"
        raise FileError([Mistake(name, None, "", message)]) from error
    if s.shape[1:] != (2, 2):
        raise FileError([Mistake(name, None, "", _ports(s.shape[1]))])
    if not (np.isfinite(s).all() and np.isfinite(hz).all()):
        raise FileError([Mistake(name, None, "", "holds something that is not a number")])
    if not np.allclose(reference, REFERENCE_OHM, rtol=1e-9):
        wrong = complex(reference[~np.isclose(reference, REFERENCE_OHM, rtol=1e-9)][0])
        message = f"refers to {wrong.real:g} ohm; the records refer to {REFERENCE_OHM:g}: renormalise it before"
        raise FileError([Mistake(name, None, "R", message)])
    # In Touchstone 1.1 a frequency below the one before begins the noise data, five numbers a line: scikit-rf drops what follows
    # in silence. Nine numbers a line are S-parameters wherever they stand.
    written = _written(path)
    mistakes = order_mistakes(np.array(written), name)
    if not mistakes and len(written) != len(hz):
        mistakes = [Mistake(name, None, "", f"has {len(written)} lines of nine numbers, of which {len(hz)} could be read")]
    if mistakes:
        raise FileError(mistakes)
    is_unpowered = condition.supply_voltage_v == UNPOWERED_V or _says_unpowered(path)
    return s_curves(hz, s, condition, "", qualifier=UNPOWERED if is_unpowered else "")


def _says_unpowered(path: Path) -> bool:
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    return any(line.startswith("!") and line[1:].strip().startswith("device: UNPOWERED") for line in lines)


def _written(path: Path) -> list[float]:
    """Frequencies of all lines of nine numbers, in the file's order. [Hz]"""
    found, scale = [], 1e9
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        words = line.partition("!")[0].split()
        if words and words[0] == "#":
            units = [SCALES[word.upper()] for word in words if word.upper() in SCALES]
            scale = units[0] if units else scale
        elif len(words) == NUMBERS_A_LINE:
            found.append(float(words[0]) * scale)
    return found


def _ports(count: int) -> str:
    return f"has {count} port{'' if count == 1 else 's'}; a device between input and output has two: give an .s2p file"
