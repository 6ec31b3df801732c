"""
A journal whose file was removed, replaced or cut while the record grew (somebody tidied up): written anew from the HDF5 file.

Until then nothing is lost: the file has every row, and the writer's descriptor what is newer. But a kill would find no journal,
or one with a hole. The new one is whole and on the disk before it takes the name; what lies there under the name is set aside.
"""

from __future__ import annotations

from functools import partial

from benchkit.record.disk import Disk
from benchkit.record.journal import Journal
from benchkit.record.live import LiveFile, temporary_path

__all__ = ["write_again"]


def write_again(journal: Journal, live: LiveFile, disk: Disk) -> None:
    """
    Args:
        journal: Goes on in the new file.
        live: Has every acknowledged row; nothing is appended meanwhile.

    Raises:
        OSError: No room, or the disk fails; the journal is as before.
    """
    temporary = temporary_path(live.path, live.description.record_id, "journal")
    temporary.unlink(missing_ok=True)
    try:
        again = Journal.create(temporary, live.description, disk)
        try:
            for number, spec in enumerate(live.description.streams):
                again.append_every(number, live.rows[spec.name], partial(live.read, spec.name))
            again.close_book()
            # Before the name changes hands: a reader takes what it finds behind this byte of the journal.
            live.forget_journal()
            if journal.path.exists():
                asides = (journal.path.with_name(f"{journal.path.name}.set_aside{number or ''}") for number in range(1000))
                journal.path.rename(next(name for name in asides if not name.exists()))
            disk.publish(temporary, journal.path)
            disk.sync_folder(live.path.parent)
        except BaseException:
            again.close()
            raise
    finally:
        temporary.unlink(missing_ok=True)
    journal.take_over(again)
