"""
Others read our record: plain h5py, pandas, xarray with h5netcdf, in a process that never imports benchkit.

Sources: HDF5 dimension scales as read by h5py and h5netcdf (HDF Group, "HDF5 Dimension Scale Specification"); netCDF-4
as a use of HDF5 (Unidata, "netCDF-4 File Format": a dataset has scales on all of its axes or on none); CF conventions
1.11, 3.1 (units), 3.1.2 (units_metadata of temperatures), 4.4 (time as "seconds since ..."); RFC 3629 (UTF-8). Units
are read by pint, an independent implementation of UDUNITS' spellings where those exist.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from benchkit.record import RecordWriter
from tests.record.samples import copy_pair, event, point, writer

CHECKS = """
import sys
import warnings
warnings.simplefilter("error")
import h5py, numpy as np, pandas as pd, pint, xarray

path, rows, sealed = sys.argv[1], int(sys.argv[2]), sys.argv[3] == "sealed"

# Plain h5py.
with h5py.File(path, "r") as h5:
    count = h5["status/points_rows"][()]
    assert count == rows, count
    assert h5["points/output_dbm"][:count].tolist() == [n / 3 for n in range(rows)]
    assert h5["points/output_dbm"].attrs["units"] == "dBm"
    assert h5["points/output_dbm"].attrs["plane"] == "device output"
    assert h5["points/channel"].asstr()[:2].tolist() == ["A", "B"]
    assert h5["events/text"].asstr()[1].startswith("event 1 \\u2713")
    assert h5["texts/sequence"].asstr()[()] == "sequence: KD14 g\\u00e4in\\n"
    assert h5["texts/bench"].asstr()[()] == "bench: main\\r\\n"
    assert h5.attrs["unit"] == "L07-W1-01"
    tables = {item.attrs["path"]: item[()].tobytes() for item in h5["files"].values()}
    assert tables["paths/input.csv"].startswith(b"frequency_hz,loss_db")
    kinds = {}
    def visit(name, item):
        if isinstance(item, h5py.Group):
            kinds[name] = (item.attrs["kind"], item.attrs["version"])
        else:
            assert item.dtype.kind in "fiuS", (name, item.dtype)
            assert h5py.check_vlen_dtype(item.dtype) is None
            if item.dtype.kind == "S":
                assert h5py.check_string_dtype(item.dtype).length is not None
                user_defined = item.id.get_create_plist().fill_value_defined() == h5py.h5d.FILL_VALUE_USER_DEFINED
                assert not user_defined, name
            if item.parent.attrs["kind"] in ("stream", "table", "results", "verdicts") and not name.endswith("/row"):
                assert item.dims[0]["row"].shape == item.shape, name
                assert item.attrs["long_name"], name
    h5.visititems(visit)
    assert kinds["points"] == ("stream", 1)
    assert all(kind for kind, version in kinds.values())
    assert h5.attrs["kind"] == "benchkit record" and h5.attrs["Conventions"].startswith("CF-")

    # Plain pandas, as the README shows it; the order of the columns is the record's.
    group = h5["points"]
    table = pd.DataFrame({name: column[:count] for name, column in group.items()})
    assert list(table)[:3] == ["row", "point", "channel"]
    assert table["drain_current_a"].tolist() == [-n / 11 for n in range(rows)]

    # Every unit can be read by software.
    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    for group in h5.values():
        for column in group.values():
            units = column.attrs.get("units", "1")
            if not units.startswith("seconds since ") and units != "1":
                registry.Unit({"%": "percent"}.get(units, units))
            if units == "degC":
                assert column.attrs["units_metadata"] == "temperature: on_scale"

# xarray through h5netcdf: one group, and the tree of all groups.
with xarray.open_dataset(path, engine="h5netcdf", group="points") as data:
    valid = data.isel(row=slice(0, rows))
    assert set(data.sizes) == {"row"}
    assert valid["output_dbm"].values.tolist() == [n / 3 for n in range(rows)]
    assert data["output_dbm"].attrs["units"] == "dBm"
    assert data["time_s"].dtype.kind == "M"
    assert str(valid["time_s"].values[0])[:19] == "2027-01-15T08:00:00"
    assert valid["channel"].values[:2].tolist() == [b"A", b"B"]
    if sealed:
        assert data.sizes["row"] == rows
    else:
        assert np.isnan(data["output_dbm"].values[rows:]).all()
with xarray.open_datatree(path, engine="h5netcdf", phony_dims="sort") as tree:  # the bytes in files have no dimension
    assert {"points", "events", "status", "instruments"} <= set(tree.children)
    assert int(tree["status/points_rows"]) == rows
    if sealed:
        assert "results" in tree.children

assert not [name for name in sys.modules if name.split(".")[0] == "benchkit"]
print("read")
"""


@pytest.mark.parametrize("state", ["sealed", "killed", "grown", "empty"])
def test_the_record_opens_without_benchkit(tmp_path: Path, state: str) -> None:
    """In ten years there may be no benchkit; the numbers, their units and the texts must still be there."""
    from benchkit.results.result import Result
    from benchkit.results.verdict import judge

    rows = {"grown": 500, "empty": 2}.get(state, 90)
    run = writer(tmp_path / "run.h5", points=100)
    for number in range(rows):
        run.append("points", point(number))
    for number in range(3):
        run.append("events", event(number))
    run.flush()
    if state in ("killed", "grown"):
        path = copy_pair(run.path, tmp_path / "killed")
        run.abandon()
    else:
        path = run.path
        result = Result("p1db", 27.1, "dBm", "device output", expanded_uncertainty=0.2)
        run.finish("done", "", [] if state == "empty" else [result], [] if state == "empty" else [judge(result, minimum=26.0)])

    done = subprocess.run(
        [sys.executable, "-P", "-c", CHECKS, str(path), str(rows), "sealed" if state in ("sealed", "empty") else "running"],
        capture_output=True, text=True, cwd=tmp_path, timeout=100,
    )  # fmt: skip

    assert done.stdout == "read\n", done.stderr


def test_a_running_record_opens_while_it_is_written(tmp_path: Path) -> None:
    """A colleague's plain script polls it during the run; it is refused by no lock and sees no half row."""
    import h5py
    import numpy as np

    run: RecordWriter = writer(tmp_path / "run.h5", points=100, flush_interval_s=0.001, sync_interval_s=0.01)
    seen = 0
    for number in range(600):
        run.append("points", point(number))
        if number % 20 == 0:
            with h5py.File(run.path, "r") as h5:
                count = int(h5["status/points_rows"][()])
                assert np.array_equal(h5["points/output_dbm"][:count], np.arange(count) / 3)
                assert count >= seen
                seen = count
    run.abandon()
