"""The KD14 scenario for tests: its files, the served twin, and sequences made from the shipped ones by changing a line."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import chdir, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from benchkit.cli.main import main

__all__ = [
    "BENCH", "BIASED_ONLY", "OVERNIGHT", "ROOT", "SHORT", "S_PARAMETERS", "ServedTwin", "benchkit", "changed", "served_twin",
]  # fmt: skip

ROOT = Path(__file__).resolve().parent.parent
OVERNIGHT = ROOT / "sequences" / "kd14_overnight.yaml"
SHORT = ROOT / "sequences" / "kd14_short.yaml"
BENCH = ROOT / "sequences" / "benches" / "kd14.yaml"
S_PARAMETERS = ROOT / "sequences" / "kd14_s_parameters.yaml"
BIASED_ONLY = (
    "  - kind: s_parameters\n    name: S-parameters unpowered"
    + S_PARAMETERS.read_text(encoding="utf-8").split("    name: S-parameters unpowered")[1].split("decision_rule")[0],
    "",
)
"""A change of kd14_s_parameters.yaml: without its sweep of the unpowered device."""


def changed(source: Path, folder: Path, *changes: tuple[str, str], name: str = "") -> Path:
    """
    A copy of a shipped file in `folder`, with each old text replaced by its new one; the old text must be there.

    A sequence's `bench:` and a bench's table paths are made absolute-free by copying beside the originals' folders: the
    copy keeps its references by naming them from `folder`.
    """
    text = source.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"{source.name} has no {old!r}"
        text = text.replace(old, new)
    target = folder / (name or source.name)
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(text, encoding="utf-8")
    return target


def benchkit(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """The command as a user runs it, from its entry point, in this process: another one costs seconds of loading libraries."""
    out, err, given = io.StringIO(), io.StringIO(), [str(one) for one in arguments]
    code: object = 0
    with chdir(cwd), redirect_stdout(out), redirect_stderr(err):
        try:
            main(given)
        except SystemExit as ended:
            code = 0 if ended.code is None else ended.code
    assert isinstance(code, int), "an exit code of ours is a number"
    return subprocess.CompletedProcess(given, code, out.getvalue(), err.getvalue())


@dataclass
class ServedTwin:
    """The twin in a process of its own; `bench` addresses it."""

    bench: Path
    ledger_path: Path
    process: subprocess.Popen[str]

    def ledger(self) -> list[dict[str, object]]:
        """What was done to the device so far that a careful engineer would not do."""
        text = self.ledger_path.read_text(encoding="utf-8") if self.ledger_path.exists() else ""
        return [json.loads(line) for line in text.splitlines()]

    def stop(self) -> None:
        """End it; what is still energised then goes into the ledger."""
        self.process.terminate()
        self.process.wait(20)


@contextmanager
def served_twin(folder: Path, *arguments: str, bench: Path = BENCH) -> Iterator[ServedTwin]:
    """Serve the KD14 bench on loopback; stopped at the end."""
    out, ledger = folder / "served.yaml", folder / "served.ledger.jsonl"
    process = subprocess.Popen(
        [sys.executable, "-m", "sim_instruments", "serve", str(bench), "--write-bench", str(out), "--ledger", str(ledger),
         *arguments],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        assert process.stdout is not None
        for line in process.stdout:
            if line.strip() == "ready":
                break
        yield ServedTwin(out, ledger, process)
    finally:
        process.terminate()
        process.wait(20)
        assert process.stdout is not None
        process.stdout.close()
