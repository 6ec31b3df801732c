"""Standards connected in the wrong order: told before a calibration is made, whatever analyser and path they are seen through."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from benchkit.results.misplaced import misplaced_in_solt, misplaced_in_trl, weak_reflect
from tests.results.two_ports import Analyser, line, reflect

F = np.linspace(13.5e9, 14.75e9, 11)
N = F.size
IDEAL = {"short": reflect(-1.0, N), "open": reflect(1.0, N), "load": reflect(0.0, N), "thru": line(np.zeros(N))}
SEEDS = range(12)


def seen(connected: dict[str, str], seed: int) -> dict[str, np.ndarray]:
    """What is read when each standard asked for (the key) was answered with another (the value)."""
    analyser = Analyser.random(np.random.default_rng(seed), N, crosstalk=1e-4)
    return {asked: analyser.measure(IDEAL[given]) for asked, given in connected.items()}


@pytest.mark.parametrize("seed", SEEDS)
def test_every_wrong_order_is_told_and_the_right_one_is_not(seed: int) -> None:
    """A calibration from exchanged standards is as smooth as any, and wrong by many dB."""
    names = tuple(IDEAL)
    told = {order: misplaced_in_solt(seen(dict(zip(names, order, strict=True)), seed), IDEAL) for order in permutations(names)}

    # Short and open exchanged at both ports: by symmetry nothing can tell, and no magnitude changes.
    assert {order for order, text in told.items() if not text} == {names, ("open", "short", "load", "thru")}


def test_it_is_said_which_one_looks_like_what() -> None:
    swapped = misplaced_in_solt(seen({"short": "load", "open": "open", "load": "short", "thru": "thru"}, 3), IDEAL)
    assert "the load looks like the short" in swapped
    assert "the short looks like the load" in swapped
    assert "what was connected as the short lets a wave through" in misplaced_in_solt(
        seen({"short": "thru", "open": "open", "load": "load", "thru": "short"}, 3), IDEAL
    )


@pytest.mark.parametrize("given", ["short", "open", "load"])
def test_one_standard_left_on_is_told(given: str) -> None:
    """Asked three times, connected once."""
    left_on = dict.fromkeys(("short", "open", "load"), given) | {"thru": "thru"}
    assert "read alike at port 1" in misplaced_in_solt(seen(left_on, 5), IDEAL)
    twice = {"short": "short", "open": "open", "load": "open", "thru": "thru"}
    assert "open and load read alike" in misplaced_in_solt(seen(twice, 5), IDEAL)


def test_the_thru_left_on_is_told() -> None:
    assert "all the time" in misplaced_in_solt(seen(dict.fromkeys(IDEAL, "thru"), 5), IDEAL)
    without_thru = {name: name for name in ("short", "open", "load")} | {"thru": "load"}
    assert "as the thru lets through" in misplaced_in_solt(seen(without_thru, 5), IDEAL)


@pytest.mark.parametrize("seed", SEEDS)
def test_short_and_open_exchanged_at_one_port_are_told(seed: int) -> None:
    """By reflection and by transmission the way to and fro must be the same; at one port its sign is now reversed."""
    analyser = Analyser.random(np.random.default_rng(seed), N)
    raw = {name: analyser.measure(s) for name, s in IDEAL.items()}
    mixed = {name: s.copy() for name, s in raw.items()}
    mixed["short"][:, 1, 1], mixed["open"][:, 1, 1] = raw["open"][:, 1, 1], raw["short"][:, 1, 1]

    assert misplaced_in_solt(raw, IDEAL) == ""
    assert "exchanged at one of the two ports" in misplaced_in_solt(mixed, IDEAL)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("degrees", [30.0, 60.0, 90.0, 120.0, 150.0])
def test_trl_standards_in_every_wrong_order(degrees: float, seed: int) -> None:
    delay_s = degrees / 360 / F[N // 2]
    true = {"thru": line(np.zeros(N)), "reflect": reflect(-0.95 - 0.1j, N), "line": line(360 * F * delay_s, 0.05)}
    analyser = Analyser.random(np.random.default_rng(seed), N)
    for order in permutations(true):
        raw = {asked: analyser.measure(true[given]) for asked, given in zip(true, order, strict=True)}
        assert bool(misplaced_in_trl(raw, F, delay_s)) == (order != tuple(true)), order
    raw = {"thru": analyser.measure(true["thru"]), "reflect": analyser.measure(true["reflect"])}
    assert "alike" in misplaced_in_trl({**raw, "line": raw["thru"]}, F, delay_s)


def test_a_load_taken_for_the_reflect_is_told() -> None:
    assert weak_reflect(reflect(-0.95j, N)) == ""
    assert "looks like a load" in weak_reflect(reflect(0.05, N))
