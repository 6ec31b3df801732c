"""
The record: one HDF5 file that holds all that one run did, saw and was told (FORMAT.md).

How the files stack; each imports only from those before it:

    locks, disk                  the operating system
    layout, rows, digest         values
    journal, hdf5, live          the two files of a running record
    coverage, findings           what a journal has; results and verdicts as tables
    recover, begin, seal         between the two files
    frames, reader, new_files,   any record, read
    exports, touchstone,
    path_tables
    flusher, unseal, writer      a running record, written
"""

from benchkit.record.disk import Disk
from benchkit.record.exports import export_csv, export_parquet
from benchkit.record.layout import TIME_UNITS, StreamSpec
from benchkit.record.new_files import refuse_existing, write_new
from benchkit.record.path_tables import export_paths
from benchkit.record.reader import Record
from benchkit.record.recover import Recovery, recover
from benchkit.record.touchstone import TouchstoneVersion, export_touchstone
from benchkit.record.writer import RecordWriter

__all__ = [
    "TIME_UNITS",
    "Disk",
    "Record",
    "RecordWriter",
    "Recovery",
    "StreamSpec",
    "TouchstoneVersion",
    "export_csv",
    "export_parquet",
    "export_paths",
    "export_touchstone",
    "recover",
    "refuse_existing",
    "write_new",
]
