"""One run to one instrument; a log of every message that never disturbs; libraries by name."""

import os
import subprocess
import sys
import threading

import pytest
from loopback_instrument import answering

from benchkit.clock import VirtualClock, WallClock
from benchkit.errors import BrokenLinkError, FileError, LinkTimeout, MisuseError
from benchkit.link import LinkLog, VisaLink, open_library

HOLDER = """
import sys
from benchkit.clock import WallClock
from benchkit.link import VisaLink, open_library
link = VisaLink("loop", sys.argv[1], open_library("py", WallClock()), WallClock())
print("open", flush=True)
sys.stdin.readline()
"""


def test_an_instrument_in_use_by_another_run_is_refused_with_its_process(instrument, link):
    """Two runs on one supply undo each other's settings, and neither notices."""
    loop = instrument(answering(A=b"1.0\n"))
    other = subprocess.Popen(
        [sys.executable, "-c", HOLDER, loop.address], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with other:
        assert other.stdout.readline() == "open\n"

        with pytest.raises(BrokenLinkError, match=rf"in use by process {other.pid}\b"):
            link(loop)
        other.kill()  # however it ends: the claim ends with it
        other.wait(10)
    assert link(loop).query("A?", timeout_s=5) == "1.0"


def test_an_instrument_is_claimed_once_within_one_process_too_however_its_address_is_spelled(instrument, link, library):
    loop = instrument(answering(A=b"1.0\n"))
    first = link(loop)
    spelled = f"TCPIP::127.0.0.1::{loop.port}::SOCKET"

    with pytest.raises(BrokenLinkError, match=rf"this process itself \(pid {os.getpid()}\)"):
        VisaLink("again", spelled, library, WallClock())
    first.close()
    VisaLink("again", spelled, library, WallClock()).close()


def test_a_link_that_could_not_be_opened_holds_no_claim(instrument, link):
    loop = instrument(answering(A=b"1.0\n"))
    loop.identity = b"\n"
    with pytest.raises(BrokenLinkError):
        link(loop, open_timeout_s=0.1)

    loop.identity = b"Generic,LOOP-1,7,1.0\n"
    assert link(loop).query("A?", timeout_s=5) == "1.0"


def test_who_makes_safe_in_place_of_a_stuck_run_may_do_without_the_claim(instrument, link):
    loop = instrument(answering(A=b"1.0\n"))
    link(loop)

    assert link(loop, exclusive=False).query("A?", timeout_s=5) == "1.0"


def test_what_is_no_address_is_a_mistake_in_the_bench_file(library):
    with pytest.raises(FileError, match=r"instruments\.meter\.address"):
        VisaLink("meter", "192.0.2.11:5025", library, WallClock())


def test_every_message_stands_in_the_log_with_time_name_and_direction(instrument, link, tmp_path):
    path = tmp_path / "links.log"
    log = LinkLog(path, VirtualClock())
    ours = link(instrument(answering(A=b"1.0\n", BLK=b"#15a\nb\nc\n")), log=log)

    ours.write("VOLT 6")
    ours.query("A?", timeout_s=5)
    ours.query_block("BLK?", timeout_s=5)
    with pytest.raises(LinkTimeout):
        ours.query("SILENT?", timeout_s=0.02)

    lines = [line.split("\t") for line in path.read_text(encoding="utf-8").splitlines()]  # flushed: it is still open
    log.close()
    log.close()
    assert {line[0] for line in lines} == {"2026-01-05T18:00:00.000+00:00"}
    assert {line[1] for line in lines} == {"loop"}
    said = [(line[2], line[3]) for line in lines]
    assert said[0] == ("!", "connected to Generic,LOOP-1,7,1.0")
    assert said[1:7] == [
        (">", "VOLT 6"),
        (">", "A?"),
        ("<", "1.0"),
        (">", "BLK?"),
        ("<", "5 bytes: 61 0a 62 0a 63"),
        (">", "SILENT?"),
    ]
    assert said[7][0] == "!"
    assert "SILENT?" in said[7][1]


def test_long_and_unprintable_messages_stay_on_one_line(tmp_path):
    log = LinkLog(tmp_path / "links.log", VirtualClock())
    log.note("loop", "<", "a\tb\nc")
    log.note("loop", "<", "x" * 10_000)
    log.note("loop", "<", bytes(10_000))
    log.close()

    lines = log.path.read_text(encoding="utf-8").splitlines()
    assert len(lines) == 3
    assert lines[0].endswith("\ta\\tb\\nc")
    assert all(len(line) < 600 for line in lines)


def test_a_log_that_cannot_be_opened_is_told_and_disturbs_nothing(instrument, link, tmp_path):
    told = []
    log = LinkLog(tmp_path / "no such folder" / "links.log", VirtualClock(), tell=told.append)
    ours = link(instrument(answering(A=b"1.0\n")), log=log)

    assert ours.query("A?", timeout_s=5) == "1.0"
    assert isinstance(log.failure, OSError)
    (line,) = told
    assert "no longer logged" in line


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a file that is always full")  # noqa: PTH110
def test_a_full_disk_stops_the_log_and_not_the_run(instrument, link, tmp_path):
    told = []
    full = tmp_path / "links.log"
    full.symlink_to("/dev/full")
    ours = link(instrument(answering(A=b"1.0\n")), log=LinkLog(full, VirtualClock(), tell=told.append))

    assert [ours.query("A?", timeout_s=5) for _ in range(3)] == ["1.0"] * 3
    assert len(told) == 1


def test_an_unknown_library_is_a_mistake_that_lists_those_there_are():
    with pytest.raises(FileError, match=r"no VISA library 'pi'; there are: py, ivi"):
        open_library("pi", WallClock())


def test_pyvisas_own_libraries_take_no_options():
    with pytest.raises(MisuseError, match="seed"):
        open_library("py", WallClock(), seed=1)


def test_pyvisa_is_not_imported_before_it_is_needed():
    """It takes a quarter of a second, and `benchkit --help` opens no instrument."""
    code = "import benchkit.link, benchkit.testing.scripted_link, sys; print('pyvisa' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout == "False\n"


def test_a_link_closed_by_another_thread_lets_go(instrument, link):
    """Closing always lets go, whoever closes."""
    loop = instrument(answering(A=b"1.0\n"))
    ours = link(loop)
    closer = threading.Thread(target=ours.close)
    closer.start()
    closer.join(5)

    assert ours.is_closed
    assert link(loop).query("A?", timeout_s=5) == "1.0"
