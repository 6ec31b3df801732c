"""
A path's loss from a two-port Touchstone file: -20 log10 of the magnitude of S21 or S12 in 50 ohm.

scikit-rf reads the file (versions 1 and 2) and renormalises one that was written in another impedance.
"""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING, Any

from benchkit.errors import FileError, Mistake

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["REFERENCE_OHM", "check_order", "parsed", "read_touchstone", "touchstone_text"]

REFERENCE_OHM = 50.0
_PORTS = {"S21": (1, 0), "S12": (0, 1)}


def read_touchstone(content: bytes, name: str, parameter: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """
    Frequencies [Hz] and losses [dB] of a two-port.

    Args:
        content: The file's bytes.
        name: Its name, ending in .s2p (version 1 keeps the number of ports nowhere else) or .ts (version 2).
        parameter: "S21" or "S12".

    Raises:
        FileError: Not a two-port Touchstone file, or its frequencies don't ascend, or a loss is infinite.
    """

    def mistake(message: str) -> FileError:
        return FileError([Mistake(name, None, "", message)])

    if not name.lower().endswith((".s2p", ".ts")):
        raise mistake("is not named as a two-port Touchstone file; expected a name that ends in .s2p (or .ts, version 2)")
    text = touchstone_text(content)
    rows = check_order(text, name)
    network = parsed(text, name, mistake, renormalise=True)
    frequencies: NDArray[np.float64] = network.f
    import numpy as np

    if network.nports != 2:
        raise mistake(f"has {network.nports} ports; a path has 2")
    if len(frequencies) < rows:
        raise mistake(f"{rows - len(frequencies)} of {rows} rows were not understood as network data")
    if len(frequencies) < 2:
        raise mistake(f"{len(frequencies)} frequencies; a table needs two at least")
    if not (np.isfinite(frequencies).all() and frequencies[0] >= 0 and (np.diff(frequencies) > 0).all()):
        raise mistake("its frequencies do not ascend strictly")
    magnitude = np.abs(network.s[(slice(None), *_PORTS[parameter])])
    wrong = ~(np.isfinite(magnitude) & (magnitude > 0))
    if wrong.any():
        first = float(frequencies[wrong][0])
        raise mistake(
            f"{parameter} at {first / 1e9:.10g} GHz is {magnitude[wrong][0]}; a path passes something, and not without end"
        )
    return tuple(frequencies.tolist()), tuple((-20.0 * np.log10(magnitude)).tolist())


def touchstone_text(content: bytes) -> str:
    """A file's text. Touchstone is ASCII; whatever else stands in a comment does not matter."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def check_order(text: str, name: str) -> int:
    """
    The number of rows, which must ascend.

    In version 1 the noise data of a two-port begin where the frequency falls back, so a reader takes a row that is out
    of order for noise, and the rest of the table is silently lost. Noise has five numbers in a row, a two-port nine.
    """
    last, rows = -1.0, 0
    for number, line in enumerate(text.splitlines(), 1):
        cells = line.partition("!")[0].split()
        if len(cells) != 9 or cells[0][0] in "#[":
            continue
        try:
            frequency = float(cells[0])
        except ValueError:
            continue  # scikit-rf says what is wrong with it
        if not frequency > last:
            message = f"the frequency {cells[0][:20]} does not ascend; each once, lowest first"
            raise FileError([Mistake(name, number, "", message)])
        last, rows = frequency, rows + 1
    return rows


def parsed(text: str, name: str, mistake: Any, *, renormalise: bool) -> Any:
    """The text as a scikit-rf network; with `renormalise` in 50 ohm. What scikit-rf says is raised as `mistake` makes it."""
    import skrf

    file = io.StringIO(text)
    file.name = name
    try:
        with warnings.catch_warnings():
            # What scikit-rf warns of here (a value it had to guess, a division by zero) is a mistake in a path's table.
            warnings.simplefilter("error")
            warnings.simplefilter("ignore", DeprecationWarning)
            network = skrf.Network()
            network.read_touchstone(file)
            if not (network.z0 == REFERENCE_OHM).all() and renormalise:
                network.renormalize(REFERENCE_OHM)
    except Exception as error:
        raise mistake(f"cannot be read as Touchstone: {type(error).__name__}: {str(error)[:200]}") from error
    return network
