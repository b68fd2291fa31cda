"""The window for real: on an X server, in a process of its own, closed and killed."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import metadata
from pathlib import Path
from typing import NoReturn

import pytest
from PySide6.QtGui import QImage

from proofstand.at_work import Order, found_at_work, read_note
from proofstand.commands.main import main
from proofstand.commands.window import GROUP, WindowOptions, opener
from proofstand.live_channel import connected
from proofstand.procedure.engine import Abandon
from proofstand.session_text import Ended
from records.errors import InputError
from records.run import MarkKind, RunState
from records.runfile import open_run
from tests.gui.processes import WAIT_S, programs_about, wait_until
from tests.gui.xvfb import XServer, without_display
from tests.proofstand.rigs import command, served

ROOT = Path(__file__).parents[2]


def run(*arguments: object, env: dict[str, str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(*arguments), env=env, capture_output=True, text=True, timeout=WAIT_S
    )


# --- the whole test ------------------------------------------------------------------


@pytest.mark.serial
def test_a_whole_simulated_test_without_a_click(
    screen: XServer, tmp_path: Path
) -> None:
    env = {**screen.environment, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-m", "tests.gui.watched", str(tmp_path)],
        env=env,
        capture_output=True,
        text=True,
        timeout=160.0,
    )
    assert done.returncode == 0, done.stderr
    seen = json.loads(done.stdout.splitlines()[-1])
    assert seen["platform"] == "xcb"
    assert seen["pictures"] == ["start.png", "setting.png", "lockup.png", "verdict.png"]
    assert seen["verdict"][0] == "pass", done.stderr
    assert {"Raise the inlet", "Set the outlet", "Close slowly:", "Hands off."} <= set(
        seen["words"]
    )
    assert seen["threads"] == ["MainThread"]
    paper = Path(seen["verdict"][1])
    assert paper.read_bytes().startswith(b"%PDF")
    assert main(["verify", str(tmp_path / "shop" / "run.h5"), str(paper)]) == 0
    for name in seen["pictures"]:
        picture = QImage(str(tmp_path / name))
        assert (picture.width(), picture.height()) == (1366, 768)
        assert _inks_of(picture) > 20
    assert programs_about(tmp_path) == []


def _inks_of(picture: QImage) -> int:
    return len(
        {
            picture.pixel(x, y)
            for x in range(0, picture.width(), 3)
            for y in range(0, picture.height(), 3)
        }
    )


# --- closed and killed in mid-run ----------------------------------------------------


@contextmanager
def opened(screen: XServer, *words: object) -> Iterator[subprocess.Popen[str]]:
    """Open the window in a process of its own."""
    window = subprocess.Popen(
        command("window", "--light", *words),
        env=screen.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        yield window
    finally:
        if window.poll() is None:
            window.kill()
        window.wait(20)
        if window.stdout is not None:
            window.stdout.close()


@contextmanager
def at_work(
    screen: XServer, folder: Path, rig: Path
) -> Iterator[subprocess.Popen[str]]:
    """Open the window on a served rig, its test begun by itself."""
    journal = folder / "run.journal"
    words = ("--rig", rig, "--job", folder / "job.toml", "--out", folder / "run.h5")
    with opened(screen, *words, "--hands", "simulated") as window:
        wait_until(
            lambda: window.poll() is not None or _size(journal) > 40_000,
            "readings in the journal",
        )
        assert window.poll() is None, (window.returncode, window.communicate()[0])
        yield window


def _watched_by_a_window(order: Order) -> bool:
    """Tell whether somebody has the recorder's socket open, without going there."""
    note = read_note(order.journal)
    assert note is not None
    lines = Path("/proc/net/tcp").read_text().splitlines()[1:]
    return any(
        line.split()[1].endswith(f":{note.port:04X}") and line.split()[3] == "01"
        for line in lines
    )


def _size(journal: Path) -> int:
    return journal.stat().st_size if journal.exists() else 0


def _goes_on(order: Order) -> None:
    """See that the recorder goes on and that nobody watches it."""
    size = _size(order.journal)
    wait_until(lambda: _size(order.journal) > size + 20_000, "the test to go on")
    wait_until(lambda: not _watched_by_a_window(order), "the window to be gone")


def _end(order: Order) -> None:
    """End the test as a window would, and wait until it is sealed."""
    note = read_note(order.journal)
    assert note is not None
    watch = connected(note.port, bytes.fromhex(note.token), 5.0)
    assert watch is not None
    for _ in range(2):
        watch.say(Abandon("stopped at the window", "tester"))
    told: list[object] = []
    until = time.monotonic() + WAIT_S
    while Ended() not in told and time.monotonic() < until:
        told += [event for event, _ in watch.take(0.1)]
    watch.heard()
    watch.close()
    assert Ended() in told
    _is_abandoned(order.out.parent)


@pytest.mark.serial
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_a_test_survives_its_window_and_the_next_one_finds_it(
    screen: XServer, tmp_path: Path, how: signal.Signals
) -> None:
    with served(tmp_path, 20.0) as rig:
        with at_work(screen, tmp_path, rig) as window:
            (at,) = found_at_work()
            wait_until(lambda: _watched_by_a_window(at.order), "the window to watch")
            window.send_signal(how)
            said, _ = window.communicate(timeout=WAIT_S)
            assert (window.returncode, said) == (min(0, -how) * (how == 9), "")
        _goes_on(at.order)
        with opened(screen) as again:
            wait_until(
                lambda: again.poll() is not None or _watched_by_a_window(at.order),
                "the next window",
            )
            assert again.poll() is None, (again.returncode, again.communicate()[0])
            again.kill()
            again.wait(20)
        _end(at.order)
    assert found_at_work() == []


@pytest.mark.serial
def test_a_window_closed_twice_leaves_the_test_to_go_on(
    screen: XServer, tmp_path: Path, lacks: Callable[[str], NoReturn]
) -> None:
    xdotool = shutil.which("xdotool")
    if xdotool is None:
        lacks("xdotool")
    find = [xdotool, "search", "--sync", "--onlyvisible", "--name", "Proofstand"]
    close = [*find, "windowfocus", "key", "ctrl+q"]
    with served(tmp_path, 20.0) as rig:
        with at_work(screen, tmp_path, rig) as window:
            (at,) = found_at_work()
            size = _size(at.order.journal)
            subprocess.run(close, env=screen.environment, check=True, timeout=WAIT_S)
            wait_until(
                lambda: _size(at.order.journal) > size + 20_000,
                "the test to go on while it is asked",
            )
            assert window.poll() is None
            subprocess.run(close, env=screen.environment, check=True, timeout=WAIT_S)
            said, _ = window.communicate(timeout=WAIT_S)
            assert (window.returncode, said) == (0, "")
        _goes_on(at.order)
        _end(at.order)


def _is_abandoned(folder: Path) -> None:
    sealed = open_run(folder / "run.h5")
    assert sealed.state is RunState.SEALED
    # a busy computer has the recorder count late readings after the end
    last = [mark for mark in sealed.marks if mark.by != "recorder"][-1]
    assert last.kind is MarkKind.ABANDONED
    assert last.data["why"] == "stopped at the window"
    assert not (folder / "run.journal").exists()


# --- where no window can be opened ---------------------------------------------------


@pytest.mark.serial
@pytest.mark.skipif(sys.platform != "linux", reason="X servers are looked for on Linux")
@pytest.mark.parametrize("display", ["", ":987"])
def test_without_a_display_it_says_so(display: str) -> None:
    env = without_display()
    if display:
        env["DISPLAY"] = display
    done = run("window", env=env)
    assert done.returncode == 2
    assert "No window can be opened here" in done.stderr
    assert "proofstand record" in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


@pytest.mark.serial
def test_without_the_windows_libraries_it_says_so() -> None:
    code = (
        "import sys; sys.modules['PySide6'] = None;"
        "sys.modules['PySide6.QtCore'] = None;"
        "from proofstand.commands.main import main; sys.exit(main(['window']))"
    )
    env = {**without_display(), "QT_QPA_PLATFORM": "offscreen"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=env,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=WAIT_S,
    )
    assert done.returncode == 2
    assert "The window can't be loaded" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_window_that_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metadata, "entry_points", lambda **_: ())
    with pytest.raises(InputError) as caught:
        opener()
    assert caught.value.id == "window_missing"


def test_the_window_is_found_by_name() -> None:
    from gui import app, shell

    entries = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    (named,) = entries["project"]["entry-points"][GROUP].values()
    assert named == "gui.shell:open_window"
    # what is installed may be of before; both open the same window
    assert opener() in (shell.open_window, app.open_window)


def test_the_shell_is_painted_before_what_takes_long_is_loaded() -> None:
    code = (
        "import sys; from proofstand.commands.window import WindowOptions;"
        "from gui.shell import shown_shell;"
        "shell = shown_shell(WindowOptions(light=True));"
        "late = ('numpy', 'scipy', 'h5py', 'pydantic', 'pyqtgraph', 'matplotlib');"
        "print(shell.painted, [name for name in late if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**without_display(), "QT_QPA_PLATFORM": "offscreen"},
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=WAIT_S,
    )
    assert done.stdout.split(" ", 1) == ["True", "[]\n"], done.stderr


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["{folder}/none.h5"], "There is no run file here"),
        (["--simulated", "--out", "{folder}"], "already"),
        (["--hands", "simulated"], "--rig is missing"),
        (
            ["--hands", "simulated", "--rig", "r", "--job", "j", "--out", "o.h5"],
            "There is no",
        ),
        (["--light", "--dark"], "not allowed"),
    ],
)
def test_what_can_t_begin_is_refused_before_a_window_stands_there(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    told: str,
) -> None:
    (tmp_path / "something").touch()

    def no_window() -> Callable[[WindowOptions], int]:
        raise AssertionError("a window was opened")

    monkeypatch.setattr("proofstand.commands.window.opener", no_window)
    filled = [a.format(folder=tmp_path) for a in arguments]
    assert main(["window", *filled]) == 2
    assert told in capsys.readouterr().err
