"""With what a record was made, or is about to be made; and what differs between two of these."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchkit.bench.load import Bench, load_bench_text
from benchkit.bench.paths import LossPath
from benchkit.errors import FileError
from benchkit.record import Record
from benchkit.sequence.load import Sequence as LoadedSequence
from benchkit.sequence.load import load_sequence_text

__all__ = ["Difference", "Setup", "differences", "path_digest", "setup_of"]

IDENTITY = ("maker", "model", "serial", "firmware", "options", "driver", "calibrated")
# Facts of a run that say with what it was made; the others say when, by whom and how far.
FACTS = ("unit", "part", "technology", "simulated", "seed", "faults", "revision")
# In a bench file this says where an instrument is, not what it is.
NOT_TOLD = ("address",)


@dataclass(frozen=True)
class Difference:
    """
    One thing that is not the same.

    Attributes:
        what: "unit", "instrument", "path", "limit", "sequence", "bench", "software" or "run".
        name: Which, e.g. "output_meter: serial".
        first, second: In the two; "" where it is not there.
    """

    what: str
    name: str
    first: str
    second: str

    def __str__(self) -> str:
        name = self.what if self.what == self.name else f"{self.what}: {self.name}"
        return f"{name}: {self.first or 'none'} -> {self.second or 'none'}"


@dataclass(frozen=True)
class Setup:
    """
    With what a record was made.

    Attributes:
        sequence, bench: As the record's texts say; None when this benchkit can't read them, and then `troubles` says why.
        instruments: Identities by name in the bench file.
        software: Version by library.
        facts: Of the run.
    """

    sequence: LoadedSequence | None
    bench: Bench | None
    instruments: Mapping[str, Mapping[str, str]]
    software: Mapping[str, str] = field(default_factory=dict)
    facts: Mapping[str, str] = field(default_factory=dict)
    troubles: tuple[str, ...] = ()


def setup_of(record: Record) -> Setup:
    """Never raises for a text that can't be read any more: `troubles` says so."""
    sequence, bench, troubles = None, None, []
    names = {text: str(record.attributes.get(f"{text}_file", "")) or f"{text}.yaml" for text in ("sequence", "bench")}
    try:
        sequence = load_sequence_text(record.sequence_text, names["sequence"], kept=record.files)
    except FileError as error:
        troubles.append(f"the stored sequence can't be read by this benchkit: {_in_a_line(error)}")
    try:
        bench = load_bench_text(record.bench_text, names["bench"], record.files)
    except FileError as error:
        troubles.append(f"the stored bench file can't be read by this benchkit: {_in_a_line(error)}")
    facts = {name: str(record.attributes[name]) for name in FACTS if name in record.attributes}
    instruments = {row.get("name", ""): row for row in record.instruments}
    return Setup(sequence, bench, instruments, software_of(str(record.attributes.get("software", "")).splitlines()), facts,
                 tuple(troubles))  # fmt: skip


def software_of(lines: Sequence[str]) -> dict[str, str]:
    """Version by name, from lines such as "numpy 2.1.0"."""
    return {name: version for name, _, version in (line.rpartition(" ") for line in lines) if name}


def path_digest(path: LossPath) -> str:
    """The first 12 digits of the SHA-256 of a path's numbers, wherever they were read from."""
    numbers = repr((path.frequencies_hz, path.losses_db, path.uncertainties_db, path.frequency_min_hz, path.frequency_max_hz))
    return hashlib.sha256(numbers.encode()).hexdigest()[:12]


def differences(first: Setup, second: Setup) -> list[Difference]:
    """What is not the same in two setups: the unit first, then instruments, paths, files, software."""
    found = [
        Difference("unit" if name == "unit" else "run", name, a, b)
        for name in FACTS
        if (a := first.facts.get(name, "")) != (b := second.facts.get(name, ""))
    ]
    for name in dict.fromkeys((*first.instruments, *second.instruments)):
        a_row, b_row = first.instruments.get(name), second.instruments.get(name)
        if a_row is None or b_row is None:
            found.append(Difference("instrument", name, "" if a_row is None else "used", "" if b_row is None else "used"))
            continue
        for key in IDENTITY:
            a, b = a_row.get(key, ""), b_row.get(key, "")
            if a != b:
                found.append(Difference("instrument", f"{name}: {key}", a, b))
    found += _paths(first.bench, second.bench)
    if first.sequence is not None and second.sequence is not None:
        found += _keys("sequence", first.sequence.file, second.sequence.file)
    if first.bench is not None and second.bench is not None:
        found += _keys("bench", first.bench.file, second.bench.file)
    for name in dict.fromkeys((*first.software, *second.software)):
        a, b = first.software.get(name, ""), second.software.get(name, "")
        if a != b:
            found.append(Difference("software", name, a, b))
    return found


def _paths(first: Bench | None, second: Bench | None) -> list[Difference]:
    if first is None or second is None:
        return []
    found = []
    for name in dict.fromkeys((*first.paths, *second.paths)):
        a, b = (f"SHA-256 {path_digest(bench.paths[name])}" if name in bench.paths else "" for bench in (first, second))
        if a != b:
            found.append(Difference("path", name, a, b))
    return found


def _keys(what: str, first: Any, second: Any) -> list[Difference]:
    """Keys of two files of one kind whose values are not the same."""
    a, b = _flat(first), _flat(second)
    return [
        Difference("limit" if key.startswith("limits.") else what, key, a.get(key, ""), b.get(key, ""))
        for key in dict.fromkeys((*a, *b))
        if a.get(key) != b.get(key) and not (what == "bench" and _is_of_no_account(key))
    ]


def _is_of_no_account(key: str) -> bool:
    """Whom a run tells changes no number, nor does an address; a calibration date is told with the instrument's identity."""
    of_instrument = key.startswith("instruments.") and key.endswith((".calibrated", *(f".{name}" for name in NOT_TOLD)))
    return of_instrument or key.startswith("notify")


def _flat(model: Any) -> dict[str, str]:
    # A model is told apart field by field; an axis, a date, a text is a value.
    found: dict[str, str] = {}

    def visit(key: str, value: Any) -> None:
        fields = getattr(type(value), "model_fields", None)
        if fields is not None:
            for name, info in fields.items():
                visit(f"{key}.{info.alias or name}" if key else info.alias or name, getattr(value, name))
        elif isinstance(value, dict):
            for name, item in value.items():
                visit(f"{key}.{name}", item)
        elif isinstance(value, tuple) and any(hasattr(type(item), "model_fields") for item in value):
            for number, item in enumerate(value):
                visit(f"{key}[{number}]", item)
        elif value is not None:
            found[key] = str(value)

    visit("", model)
    return found


def _in_a_line(error: FileError) -> str:
    return "; ".join(str(mistake) for mistake in error.mistakes[:3])
