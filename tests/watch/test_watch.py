"""A run seen from another shell: what it shows is what the record has, while it grows; it only reads."""

from __future__ import annotations

import json
import math
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchkit.bench.load import load_bench
from benchkit.campaign import rehearse
from benchkit.campaign.view import LadderView, View, Viewer, time_left_s
from benchkit.cli.main import app
from benchkit.cli.watch import follow
from benchkit.cli.watch_text import changes, plot_lines, view_lines
from benchkit.clock import VirtualClock
from benchkit.errors import FormatError
from benchkit.sequence.load import load_sequence
from tests.scenario import BENCH, OVERNIGHT, ROOT, SHORT, changed, served_twin

LONG_AFTER_S = 4e9
KILLED = Path(__file__).parents[1] / "data" / "records" / "version-1-killed.h5"


class Looking:
    """A run's progress: looks at the run's own record as it goes."""

    def __init__(self, path: Path, every: int) -> None:
        self.viewer, self.every = Viewer(path), every
        self.views: list[tuple[int, View]] = []

    def stage(self, text: str) -> None: ...

    def waiting(self, text: str) -> None: ...

    def point(self, done: int, skipped: int) -> None:
        if done % self.every == 0:
            self.views.append((done + skipped, self.viewer.look(0.0)))


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[tuple[int, View]]]:
    """Two temperatures, one channel, three frequencies; looked at while it was rehearsed."""
    folder = tmp_path_factory.mktemp("watched")
    sequence = changed(
        OVERNIGHT,
        folder,
        ("[25 degC, -30 degC, 70 degC]", "[25 degC, -30 degC]"),
        ("temperature: [25 degC, 70 degC]}", "temperature: 25 degC}"),
        ("  supply_voltage: 6 V", "  channels: [A]\n  supply_voltage: 6 V"),
        ("step: 125 MHz", "step: 375 MHz"),
    )
    looking = Looking(folder / "night.h5", 7)
    outcome = rehearse(load_sequence(sequence), load_bench(BENCH), folder / "night.h5", progress=looking)
    assert outcome.outcome == "done"
    return outcome.record, looking.views


def test_every_acknowledged_point_is_seen_while_the_run_goes_on(watched: tuple[Path, list[tuple[int, View]]]) -> None:
    """What is shown must be what is there, not what was there a flush ago."""
    _, views = watched

    assert len(views) > 10
    for number, (behind, view) in enumerate(views, 1):
        assert view.points == number * 7
        assert view.behind == behind
        assert view.state == "running or killed"
        assert not view.is_over
        assert view.planned_points >= behind
        assert view.is_simulated


def test_a_driven_part_shows_as_driven_with_its_readings_and_its_ladder(watched: tuple[Path, list[tuple[int, View]]]) -> None:
    """Whoever walks up to the bench wants to know whether it is live."""
    _, views = watched
    driven = [view for _, view in views if view.bias is not None and view.bias.state == "driven"]

    assert driven
    for view in driven:
        assert view.bias is not None
        assert view.bias.channel == "A"
        assert view.bias.drain_voltage_v == pytest.approx(6, abs=0.1)
        assert view.bias.drain_current_a > 0.15
        assert view.air_degc == pytest.approx(view.set_degc, abs=1.5)
        assert view.ladder is not None
        assert len(view.ladder.gain_db) == len(view.ladder.input_dbm) >= 1


def test_time_left_comes_down_to_nothing_and_is_never_far_off(watched: tuple[Path, list[tuple[int, View]]]) -> None:
    """A night with soaks in it is not measured at one pace."""
    path, views = watched
    whole = Viewer(path).look(0.0)

    assert whole.left_s == 0
    assert whole.state == "sealed"
    for _, view in views:
        assert 0 <= view.left_s < 2 * whole.elapsed_s
    assert views[-1][1].left_s < 0.1 * views[0][1].left_s


def test_the_estimate_leads_at_the_beginning_and_the_pace_at_the_end() -> None:
    """An hour's soak before the first point must not make ten days of a night."""
    assert time_left_s(36_000, 3_600, 0.01) == pytest.approx(0.99 * 35_640 + 0.01 * 356_400)
    assert time_left_s(100, 900, 0.9) == pytest.approx(0.1 * 10 + 0.9 * 100)
    assert time_left_s(100, 0, 0.0) == 100
    assert time_left_s(math.nan, 50, 0.5) == 50
    assert math.isnan(time_left_s(math.nan, 50, 0.0))


def test_without_a_terminal_only_what_is_new_is_told(watched: tuple[Path, list[tuple[int, View]]]) -> None:
    """A log of a night has a line per ladder, not a page per second."""
    _, views = watched
    lines: list[str] = []
    before: View | None = None
    for _, view in views:
        lines += changes(before, view)
        before = view

    assert before is not None
    assert list(changes(before, before)) == []
    assert sum(line.startswith("chamber to -30") for line in lines) == 1
    assert any("soaked" in line for line in lines)
    assert len(lines) < len(views) * 3


def test_the_plot_puts_gain_and_output_where_they_belong() -> None:
    """Compression must look like compression."""
    ladder = LadderView(3, "A", 25.0, 14e9, (-10.0, 0.0, 10.0), (14.0, 24.0, 29.0), (24.0, 24.0, 19.0))

    lines = plot_lines(ladder)
    cells = [line.split("|")[1] for line in lines if line.count("|") == 2]

    assert cells[0][0] == "+"  # highest gain at the lowest drive
    assert cells[0][-1] == "o"  # highest output at the highest drive
    assert cells[-1][0] == "o"
    assert cells[-1][-1] == "+"
    assert "24.00" in lines[1]
    assert "29.00" in lines[1]
    assert plot_lines(LadderView(3, "A", 25.0, 14e9, (1.0,), (math.nan,), (math.nan,))) == []
    assert len(plot_lines(LadderView(3, "A", 25.0, 14e9, (1.0,), (2.0,), (1.0,)))) == len(lines)


def test_following_ends_when_the_record_is_sealed(tmp_path: Path, watched: tuple[Path, list[tuple[int, View]]]) -> None:
    """It is left running over night, and must let go of the shell by itself."""
    sealed, _ = watched
    path = tmp_path / "run.h5"
    for suffix in ("", ".journal"):
        shutil.copy(f"{KILLED}{suffix}", f"{path}{suffix}")

    class SealsAfterThreeLooks(VirtualClock):
        looks = 0

        def sleep(self, seconds: float) -> None:
            super().sleep(seconds)
            self.looks += 1
            if self.looks == 3:
                shutil.copy(sealed, path)

    shown: list[View] = []
    last = follow(Viewer(path), SealsAfterThreeLooks(), 1.0, lambda _, now: shown.append(now))

    assert [view.state for view in shown] == ["running or killed"] * 3 + ["sealed"]
    assert last.outcome == "done"


def test_a_silent_run_is_told_as_such_and_the_guardians_account_ends_the_watch(tmp_path: Path) -> None:
    """A record can't say that its writer is dead; the guardian's account beside it can."""
    path = tmp_path / "run.h5"
    for suffix in ("", ".journal"):
        shutil.copy(f"{KILLED}{suffix}", f"{path}{suffix}")
    silent = Viewer(path).look(LONG_AFTER_S)
    (tmp_path / "run.guardian.json").write_text(json.dumps({"text": "it made the bench safe in 0.20 s"}))
    ended = Viewer(path).look(LONG_AFTER_S)

    assert any("nothing new for" in line and "alive?" in line for line in view_lines(silent))
    assert not silent.is_over
    assert ended.is_over
    result = CliRunner().invoke(app, ["watch", str(path)])
    assert result.exit_code == 3
    assert "made the bench safe" in result.stdout


def test_what_is_no_record_is_refused(tmp_path: Path) -> None:
    """With the usual message and code."""
    (tmp_path / "a.h5").write_text("no")
    for name in ("a.h5", "absent.h5"):
        result = CliRunner().invoke(app, ["watch", str(tmp_path / name)])
        assert isinstance(result.exception, FormatError)


def test_one_look_is_for_scripts(watched: tuple[Path, list[tuple[int, View]]]) -> None:
    """JSON without NaN, which JSON does not have."""
    path, _ = watched
    result = CliRunner().invoke(app, ["watch", str(path), "--once", "--json"])
    told = json.loads(result.stdout, parse_constant=lambda name: pytest.fail(name))

    assert result.exit_code == 0
    assert told["state"] == "sealed"
    assert told["bias"]["state"] == "made safe"
    assert told["points"] <= told["behind"] == told["planned_points"]


def test_a_real_run_is_watched_from_another_process_to_its_end(tmp_path: Path) -> None:
    """The whole way, over sockets, in real time; and nothing is written by who watches."""
    sequence = changed(SHORT, tmp_path, ("step: 1 dB", "step: 3 dB"))
    record = tmp_path / "run.h5"
    command = [sys.executable, "-m", "benchkit"]
    with served_twin(tmp_path) as twin:
        run = subprocess.Popen(
            [*command, "run", str(sequence), "--bench", str(twin.bench), "--unit", "L07-W1-01", "--out", str(record)],
            cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            until_s = time.monotonic() + 60
            while not record.exists() and time.monotonic() < until_s:
                assert run.poll() is None
                time.sleep(0.02)  # nothing tells another process that the record has begun
            watching = subprocess.run(
                [*command, "watch", str(record), "--every", "0.2"], capture_output=True, text=True, timeout=60, check=False
            )
            assert run.wait(30) == 0
        finally:
            run.kill()
            run.wait()

    assert watching.returncode == 0, watching.stderr
    assert "KD14 L07-W1-01" in watching.stdout
    assert "sealed: done" in watching.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGINT to another process")
@pytest.mark.parametrize("at_start", [signal.default_int_handler, signal.SIG_IGN], ids=["terminal", "background job"])
def test_ctrl_c_ends_the_watch_with_code_0_and_the_record_as_it_was(tmp_path: Path, at_start: signal.Handlers) -> None:
    """Watching never harms a run. A shell starts a background job with SIGINT ignored; it ends on SIGINT all the same."""
    path = tmp_path / "run.h5"
    for suffix in ("", ".journal"):
        shutil.copy(f"{KILLED}{suffix}", f"{path}{suffix}")
    before = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    before_test = signal.signal(signal.SIGINT, at_start)  # a child inherits that it is ignored
    try:
        watching = subprocess.Popen(
            [sys.executable, "-m", "benchkit", "watch", str(path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
    finally:
        signal.signal(signal.SIGINT, before_test)
    assert watching.stdout is not None
    assert watching.stdout.readline()
    watching.send_signal(signal.SIGINT)
    _, errors = watching.communicate(timeout=30)

    assert watching.returncode == 0, errors
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == before


@pytest.mark.parametrize("name", ["version-1-sealed.h5", "version-1-killed.h5"])
def test_a_record_of_an_earlier_time_is_shown_too(name: str, tmp_path: Path) -> None:
    """Its tables may lack columns of today."""
    for path in (ROOT / "tests" / "data" / "records").glob(f"{name}*"):
        shutil.copy(path, tmp_path)
    shown = Viewer(tmp_path / name).look(0.0)

    assert shown.points > 0
    assert list(view_lines(shown))
