"""What the guardian did, told twice: in a file beside the record, and by the next benchkit command."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import platformdirs

__all__ = ["Notice", "account_path", "leave_notice", "take_notices"]


@dataclass(frozen=True)
class Notice:
    """
    One intervention.

    Attributes:
        record: The run's record.
        why: What the guardian saw.
        noticed_s: When, seconds since 1970. [s]
        took_s: From noticing to the end of make safe. [s]
        failures: What could not be switched off or verified; empty: the bench is safe.
    """

    record: str
    why: str
    noticed_s: float
    took_s: float
    failures: tuple[str, ...]
    run_pid: int

    def __str__(self) -> str:
        when = datetime.fromtimestamp(self.noticed_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        head = f"guardian, {when}, {self.record}: {self.why}."
        if not self.failures:
            return (
                f"{head} It made the bench safe in {self.took_s:.2f} s: RF off, drain off, gate off, each read back. The "
                "record holds every point up to then."
            )
        return (
            f"{head} It could NOT verify the bench safe: {'; '.join(self.failures)}. The part may still be powered: switch RF "
            "off, then drain, then gate, by hand. (Told until "
            f"{account_path(self.record)} is moved away.)"
        )


def account_path(record: str | Path) -> Path:
    """Where the account of one record's guardian is written."""
    return Path(record).with_suffix(".guardian.json")


def leave_notice(notice: Notice) -> None:
    """Write the account beside the record, and once more where the next benchkit command looks."""
    text = json.dumps({"benchkit": "guardian account", "version": 1, **asdict(notice), "text": str(notice)}, indent=2)
    errors = []
    for path in (account_path(notice.record), _untold() / f"{notice.run_pid}-{int(notice.noticed_s * 1000)}.json"):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text + "\n", encoding="utf-8")
        except OSError as error:  # the disk may be full; the other place may have room
            errors.append(error)
    if len(errors) == 2:
        raise errors[0]


def take_notices() -> list[Notice]:
    """
    Notices that a person should see now.

    One of a bench that was made safe is handed out once. One that could not be verified is handed out to every command,
    until its account beside the record is moved away: the next command may be anybody's.
    """
    folder = _untold()
    try:
        paths = sorted(folder.glob("*.json")) if folder.is_dir() else []
    except OSError:
        return []  # a state folder that this user may not read holds nothing of theirs
    notices = []
    for path in paths:
        try:
            notice = _read(json.loads(path.read_text(encoding="utf-8")))
            if not notice.failures or not account_path(notice.record).exists():
                path.unlink()
        except (OSError, ValueError, KeyError, TypeError):
            continue  # another command took it, or it is no notice of ours
        if not notice.failures or account_path(notice.record).exists():
            notices.append(notice)
    return notices


def _read(data: dict[str, Any]) -> Notice:
    return Notice(
        record=str(data["record"]),
        why=str(data["why"]),
        noticed_s=float(data["noticed_s"]),
        took_s=float(data["took_s"]),
        failures=tuple(str(failure) for failure in data["failures"]),
        run_pid=int(data["run_pid"]),
    )


def _untold() -> Path:
    return Path(platformdirs.user_state_dir("benchkit", appauthor=False)) / "untold"
