"""Results that are defined alike share a row; one that is absent may not know how it would have been defined."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchkit.results.result import Result

__all__ = ["harmonised"]


def harmonised(results: Mapping[str, Sequence[Result]]) -> dict[str, list[Result]]:
    """
    The same results; where those that are there are all defined alike, the absent ones take their definition.

    Args:
        results: Label of the record to its results, in their order.
    """
    stated: dict[tuple[str, str, str], set[str]] = {}
    for of_record in results.values():
        for result in of_record:
            if not result.is_absent:
                stated.setdefault(_key(result), set()).add(result.convention)
    return {
        label: [_defined(result, stated.get(_key(result), set())) for result in of_record] for label, of_record in results.items()
    }


def _defined(result: Result, stated: set[str]) -> Result:
    return replace(result, convention=next(iter(stated))) if result.is_absent and len(stated) == 1 else result


def _key(result: Result) -> tuple[str, str, str]:
    return result.measurement, result.parameter, result.qualifier
