"""Two-ports and imperfect analysers for the tests of calibrations, in closed form and without scikit-rf."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


def two_port(s11, s12, s21, s22) -> np.ndarray:
    """Numbers or shape (n,) to shape (n, 2, 2)."""
    s11, s12, s21, s22 = np.broadcast_arrays(*np.atleast_1d(*np.broadcast_arrays(s11, s12, s21, s22)))
    return np.moveaxis(np.array([[s11, s12], [s21, s22]], dtype=complex), 2, 0)


def from_abcd(a, b, c, d, z0: float = 50.0) -> np.ndarray:
    """Pozar, Microwave Engineering, Table 4.2."""
    b, c = b / z0, c * z0
    total = a + b + c + d
    return two_port((a + b - c - d) / total, 2 * (a * d - b * c) / total, 2 / total, (-a + b - c + d) / total)


def chain(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Two-ports in a row by their signal flow graph."""
    loop = 1 - first[:, 1, 1] * second[:, 0, 0]
    return two_port(
        first[:, 0, 0] + first[:, 0, 1] * first[:, 1, 0] * second[:, 0, 0] / loop,
        first[:, 0, 1] * second[:, 0, 1] / loop,
        first[:, 1, 0] * second[:, 1, 0] / loop,
        second[:, 1, 1] + second[:, 0, 1] * second[:, 1, 0] * first[:, 1, 1] / loop,
    )


def scatter(rng: np.random.Generator, n: int, size: float) -> np.ndarray:
    return size * (rng.uniform(-1, 1, n) + 1j * rng.uniform(-1, 1, n))


def device(rng: np.random.Generator, n: int) -> np.ndarray:
    """An amplifier: gain, some isolation, moderate match."""
    return two_port(scatter(rng, n, 0.3), scatter(rng, n, 0.05), 3 + scatter(rng, n, 1.0), scatter(rng, n, 0.3))


@dataclass
class Analyser:
    """Error boxes at both ports, switch terms and crosstalk, each shape (n,) or (n, 2, 2)."""

    left: np.ndarray
    right: np.ndarray
    switch: tuple[np.ndarray, np.ndarray]
    crosstalk: tuple[np.ndarray, np.ndarray]

    @classmethod
    def random(cls, rng: np.random.Generator, n: int, *, crosstalk: float = 0.0) -> Analyser:
        def box() -> np.ndarray:
            turn = np.exp(1j * rng.uniform(-np.pi, np.pi, n))
            return two_port(scatter(rng, n, 0.2), 0.8 * turn, rng.uniform(0.5, 1.0, n) * turn, scatter(rng, n, 0.2))

        pairs = [(scatter(rng, n, size), scatter(rng, n, size)) for size in (0.1, crosstalk)]
        return cls(box(), box(), *pairs)

    def measure(self, s: np.ndarray) -> np.ndarray:
        """Raw S: b = S a with the unexcited port reflecting what comes out of it."""
        inner = chain(chain(self.left, s), self.right)
        forward, reverse = self.switch
        at_2, at_1 = 1 - inner[:, 1, 1] * forward, 1 - inner[:, 0, 0] * reverse
        both = inner[:, 0, 1] * inner[:, 1, 0]
        return two_port(
            inner[:, 0, 0] + both * forward / at_2,
            inner[:, 0, 1] / at_1 + self.crosstalk[1],
            inner[:, 1, 0] / at_2 + self.crosstalk[0],
            inner[:, 1, 1] + both * reverse / at_1,
        )


def reflect(gamma, n: int) -> np.ndarray:
    """The same one-port at both ports."""
    return two_port(np.full(n, gamma), 0, 0, np.full(n, gamma))


def line(degrees, loss_db: float = 0.0) -> np.ndarray:
    """A matched line."""
    wave = 10 ** (-loss_db / 20) * np.exp(-1j * np.radians(np.atleast_1d(degrees)))
    return two_port(0, wave, wave, 0)
