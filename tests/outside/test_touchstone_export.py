"""
Touchstone files written from a record, read by scikit-rf, and files of scikit-rf read by benchkit; both versions of the format.

Touchstone File Format Specification, Rev 1.1 (EIA/IBIS Open Forum, 2002) and Version 2.0 (2009): order of keywords from public
parsers' tests of the 2.0 examples; rules on keywords that these do not show are from memory.
"""

from __future__ import annotations

import io
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import skrf

from benchkit.bench.loss_touchstone import read_touchstone
from benchkit.bench.two_port_touchstone import read_two_port
from benchkit.campaign import rehearse
from benchkit.errors import FileError
from benchkit.measurements.network_rows import s_from
from benchkit.plan.files import load_both
from benchkit.record import Record, TouchstoneVersion, export_touchstone
from tests.outside.test_touchstone_paths import EXAMPLE_4
from tests.scenario import BIASED_ONLY, ROOT

# Touchstone 2.0, example 17, numbers as printed; its second port is in 25 ohm.
EXAMPLE_17 = """\
[Version] 2.0
# ghz s ma R 50.0
[Number of Ports] 2
[Two-Port Data Order] 21_12
[Number of Frequencies] 2
[Number of Noise Frequencies] 2
[Reference] 50.0 25.0
[Network Data]
2.0 0.95 -26.0 3.57 157.0 0.04 76.0 0.66 -14.0
22.0 0.6 -144.0 1.3 40.0 0.14 40.0 0.56 -85.0
[Noise Data]
4.0 0.7 0.64 69.0 19.0
18.0 2.7 0.46 -33.0 20.0
[End]
"""


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("touchstone")
    text = (ROOT / "sequences" / "kd14_s_parameters.yaml").read_text("utf-8")
    soak = text.split("conditions:\n")[1].split("  channels:")[0]
    for old, new in ((soak, ""), BIASED_ONLY, ("bench: benches/kd14_full.yaml\n", "")):
        text = text.replace(old, new)
    (folder / "s.yaml").write_text(text, encoding="utf-8")
    sequence, bench = load_both(folder / "s.yaml", ROOT / "sequences" / "benches" / "kd14_full.yaml")
    return rehearse(sequence, bench, folder / "record.h5").record


def truth(record: Path) -> tuple[np.ndarray, np.ndarray]:
    with Record.open(record) as opened:
        rows = opened.stream("network")
    return rows["frequency_hz"].to_numpy(), s_from(rows)


@pytest.mark.parametrize("version", ["1.1", "2.0"])
def test_scikit_rf_reads_what_was_measured(version: TouchstoneVersion, record: Path, tmp_path: Path) -> None:
    with Record.open(record) as opened:
        (path,) = export_touchstone(opened, tmp_path, version=version)
    network = skrf.Network(str(path))
    hz, s = truth(record)

    assert network.f == pytest.approx(hz, rel=1e-12)
    assert np.abs(network.s - s).max() < 1e-11 * np.abs(s).max()
    assert (network.z0 == 50).all()
    assert "bias: drain" in network.comments
    assert "temperature: not set" in network.comments
    assert "device's input (port 1) and output (port 2)" in network.comments
    assert path.suffix == {"1.1": ".s2p", "2.0": ".ts"}[version]


def test_version_2_has_its_keywords_in_order(record: Path, tmp_path: Path) -> None:
    """[Version] first, the option line, [Number of Ports]; two ports say their order; as many rows as said; [End] last."""
    with Record.open(record) as opened:
        (path,) = export_touchstone(opened, tmp_path, version="2.0")
    lines = [line for line in path.read_text("ascii").splitlines() if not line.startswith("!")]
    keywords = [line for line in lines if line[0] in "[#"]

    assert keywords[:3] == ["[Version] 2.0", "# HZ S RI R 50", "[Number of Ports] 2"]
    assert {re.match(r"\[[^]]+\]", one)[0] for one in keywords[3:6]} == {
        "[Two-Port Data Order]", "[Number of Frequencies]", "[Reference]",
    }  # fmt: skip
    assert (keywords[6], keywords[-1], lines[-1]) == ("[Network Data]", "[End]", "[End]")
    count = next(int(one.split()[-1]) for one in keywords if one.startswith("[Number of Frequencies]"))
    rows = lines[lines.index("[Network Data]") + 1 : -1]
    assert count == len(rows) == len(truth(record)[0])
    assert {len(row.split()) for row in rows} == {9}


@pytest.mark.parametrize("form", ["ri", "ma", "db"])
def test_benchkit_reads_what_scikit_rf_writes(form: str, record: Path) -> None:
    """The other way round, in every number format."""
    hz, s = truth(record)
    s = s / np.linalg.norm(s, ord=2, axis=(1, 2)).max()  # as a fixture it may not amplify
    network = skrf.Network(frequency=skrf.Frequency.from_f(hz, unit="Hz"), s=s, z0=50)
    text = network.write_touchstone("x.s2p", return_string=True, form=form)
    found_hz, found = read_two_port(text.encode(), "x.s2p")

    assert found_hz == pytest.approx(hz, rel=1e-12)
    assert np.abs(found - s).max() < 1e-9
    frequencies, losses = read_touchstone(text.encode(), "x.s2p", "S21")
    assert frequencies == pytest.approx(hz, rel=1e-12)
    assert losses == pytest.approx(-20 * np.log10(np.abs(s[:, 1, 0])), abs=1e-8)


def test_the_published_example_of_version_1_1_is_read_number_by_number() -> None:
    hz, s = read_two_port(EXAMPLE_4, "example.s2p")

    assert hz.tolist() == [1e9, 2e9, 10e9]
    assert s[1, 0, 0] == 0.3517 - 0.3054j
    assert s[1, 1, 0] == s[1, 0, 1] == -0.0096 - 0.0298j
    assert s[2, 1, 1] == 0.3419 + 0.3336j


def test_the_published_example_of_version_2_is_read_and_its_second_impedance_is_not_passed_over() -> None:
    """As scikit-rf reads it; as a fixture in 50 ohm it is refused, by the port that is in 25."""
    file = io.StringIO(EXAMPLE_17)
    file.name = "example.ts"
    network = skrf.Network()
    network.read_touchstone(file)
    assert network.z0[0].real.tolist() == [50.0, 25.0]
    with pytest.raises(FileError, match="is in 25 ohm"):
        read_two_port(EXAMPLE_17.encode(), "example.ts")
    in_fifty = EXAMPLE_17.replace("50.0 25.0", "50.0 50.0")
    frequencies, losses = read_touchstone(in_fifty.encode(), "example.ts", "S12")
    assert frequencies == (2e9, 22e9)
    assert losses == pytest.approx([-20 * np.log10(0.04), -20 * np.log10(0.14)])


def test_no_name_in_a_record_leads_out_of_the_folder(record: Path, tmp_path: Path) -> None:
    """A record may come from anywhere, and what it calls a channel becomes part of a file's name."""
    import h5py

    edited = Path(shutil.copy(record, tmp_path / "edited.h5"))
    with h5py.File(edited, "r+") as h5:
        h5["network/channel"][:] = b"/../../x"
    target = tmp_path / "a" / "b"
    with Record.open(edited) as opened:
        (path,) = export_touchstone(opened, target)

    assert path.resolve().parent == target.resolve()
