"""A passive two-port (fixture, probe, dummy) from a Touchstone file, complex, in 50 ohm; refused where it is not one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from benchkit.bench.loss_touchstone import REFERENCE_OHM, check_order, parsed, touchstone_text
from benchkit.errors import FileError, Mistake

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["LARGEST_GAIN", "read_two_port"]

LARGEST_GAIN = 1.02
"""Largest singular value of S of what counts as passive: no wave in gives more out, but for the noise of a measurement."""


def read_two_port(content: bytes, name: str) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """
    Frequencies, shape (n,) [Hz], strictly ascending, and S, shape (n, 2, 2).

    Args:
        content: The file's bytes.
        name: Its name, ending in .s2p (version 1 keeps the number of ports nowhere else) or .ts (version 2).

    Raises:
        FileError: Not a two-port Touchstone file, in another impedance than 50 ohm, its frequencies don't ascend, something in
            it is no number, or it gives out more than goes in.
    """
    import numpy as np

    def mistake(message: str) -> FileError:
        return FileError([Mistake(name, None, "", message)])

    ports = re.search(r"\.s(\d+)p$", name.lower())
    if ports and int(ports[1]) != 2:
        raise mistake(f"has {int(ports[1])} ports by its name; what lies between the calibration's plane and the device has 2")
    if not name.lower().endswith((".s2p", ".ts")):
        raise mistake("is not named as a two-port Touchstone file; expected a name that ends in .s2p (or .ts, version 2)")
    text = touchstone_text(content)
    rows = check_order(text, name)
    network = parsed(text, name, mistake, renormalise=False)
    frequency: NDArray[np.float64] = np.asarray(network.f, dtype=np.float64)
    s: NDArray[np.complex128] = np.asarray(network.s, dtype=np.complex128)
    if network.nports != 2:
        raise mistake(f"has {network.nports} ports; what lies between the calibration's plane and the device has 2")
    others = network.z0[network.z0 != REFERENCE_OHM]
    if others.size:
        raise mistake(
            f"is in {complex(others.flat[0]).real:g} ohm; the corrected S-parameters are in {REFERENCE_OHM:g} ohm: renormalise "
            "it, or check that it is the file you mean"
        )
    if frequency.size < rows:
        raise mistake(f"{rows - frequency.size} of {rows} rows were not understood as network data")
    if not (frequency.size and np.isfinite(frequency).all() and frequency[0] >= 0 and (np.diff(frequency) > 0).all()):
        raise mistake("its frequencies do not ascend strictly, or it has none")
    if not np.isfinite(s).all():
        raise mistake(f"holds something that is no number at {frequency[int(np.argwhere(~np.isfinite(s))[0][0])] / 1e9:.9g} GHz")
    gains = np.linalg.norm(s, ord=2, axis=(1, 2))
    if gains.max() > LARGEST_GAIN:
        at = int(gains.argmax())
        raise mistake(
            f"gives out more than goes in at {frequency[at] / 1e9:.9g} GHz (largest singular value {gains[at]:.3g}): it is no "
            "passive fixture, probe or dummy"
        )
    return frequency, s
