"""start.py: what it says and leaves behind when something is missing."""

import ast
import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from tests.house.tree import ROOT, project

pytestmark = pytest.mark.tree


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with start.py and what it reads, and no environment."""
    made = tmp_path / "a shop's folder"
    made.mkdir()
    for name in ("start.py", "requirements.lock", "pyproject.toml", "LICENSE"):
        shutil.copy(ROOT / name, made)
    return made


@pytest.fixture
def start(folder: Path) -> ModuleType:
    """Return start.py as a module, at home in the empty folder."""
    spec = importlib.util.spec_from_file_location("start", folder / "start.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def run(
    folder: Path, *words: str, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    # Elsewhere than beside start.py: it has to work from any folder.
    return subprocess.run(
        [sys.executable, str(folder / "start.py"), *words],
        cwd=folder.parent,
        env={**os.environ, **(env or {})},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


def too_new(source: str) -> set[str]:
    """Return the constructs in a source that old Pythons can't even parse."""
    modern = (
        ast.JoinedStr,
        ast.AnnAssign,
        ast.NamedExpr,
        ast.Nonlocal,
        ast.Starred,
        ast.AsyncFunctionDef,
        ast.Await,
        ast.Match,
        ast.YieldFrom,
        ast.MatMult,
    )
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, modern):
            found.add(type(node).__name__)
        elif isinstance(node, ast.FunctionDef):
            given = node.args
            every = [*given.args, *given.kwonlyargs, *given.posonlyargs]
            if node.returns or any(one.annotation for one in every):
                found.add("annotation")
            if given.kwonlyargs or given.posonlyargs:
                found.add("marked arguments")
        elif isinstance(node, ast.Raise) and node.cause is not None:
            found.add("raise from")
        elif isinstance(node, ast.ClassDef) and node.keywords:
            found.add("class keywords")
    return found


def test_it_parses_on_old_pythons() -> None:
    source = (ROOT / "start.py").read_text(encoding="ascii")
    assert too_new(source) == set()
    assert "from __future__ import print_function" in source


@pytest.mark.parametrize(
    "source",
    [
        "f'{x}'",
        "x: int = 1",
        "def f(a: int): pass",
        "def f(*, a): pass",
        "try:\n    f()\nexcept OSError as e:\n    raise E() from e",
        "print(*words)",
    ],
)
def test_new_syntax_would_be_seen(source: str) -> None:
    assert too_new(source)


def test_it_imports_the_standard_library_only() -> None:
    tree = ast.parse((ROOT / "start.py").read_text(encoding="utf-8"))
    names = {
        alias.name.split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import)
        for alias in node.names
    }
    assert names <= sys.stdlib_module_names


def test_it_wants_the_pythons_that_the_project_wants(start: ModuleType) -> None:
    assert project()["project"]["requires-python"] == f">={start.dotted(start.OLDEST)}"
    named = {
        classifier.rpartition(" ")[2]
        for classifier in project()["project"]["classifiers"]
        if "Python :: 3." in classifier
    }
    reach = range(start.OLDEST[1], start.NEWEST[1] + 1)
    assert named == {f"3.{minor}" for minor in reach}


@pytest.mark.parametrize(
    ("version", "fits"),
    [
        ((2, 7), False),
        ((3, 10), False),
        ((3, 11), True),
        ((3, 14), True),
        ((3, 15), False),
    ],
)
def test_which_pythons_fit(
    start: ModuleType, version: tuple[int, int], fits: bool
) -> None:
    assert start.fits(version) is fits


def test_an_unknown_word_is_refused(folder: Path) -> None:
    done = run(folder, "windows")
    assert done.returncode == 2
    assert "'windows'" in done.stdout
    assert "setup" in done.stdout
    assert not (folder / ".venv").exists()


def test_setup_takes_nothing_more(folder: Path) -> None:
    assert run(folder, "setup", "now").returncode == 2
    assert not (folder / ".venv").exists()


def test_help_sets_nothing_up(folder: Path) -> None:
    done = run(folder, "--help")
    assert done.returncode == 0
    assert "test --slow" in done.stdout
    assert not (folder / ".venv").exists()


def test_no_fitting_python_is_said(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(start, "fits", lambda version: False)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(start.Stop, match=r"needs Python 3\.11 to 3\.14") as stopped:
        start.main(["setup"])
    assert stopped.value.code == start.NO_PYTHON


@pytest.mark.skipif(os.name == "nt", reason="writes a shell script")
def test_another_python_is_found_by_asking_it(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A name alone proves nothing: shims exist for Pythons that are not there."""
    for name, line in (
        ("python3.14", "exit 127"),
        ("python3.13", "echo 3 11"),
        ("python3.12", "echo 3 12"),
    ):
        script = tmp_path / name
        script.write_text(f"#!/bin/sh\n{line}\n")
        script.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert start.fitting_python() == [str(tmp_path / "python3.12")]


def test_a_python_that_cannot_make_environments(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(start, "can_make_environments", lambda: False)
    monkeypatch.setattr(start, "on_path", lambda name: [name])
    with pytest.raises(start.Stop) as stopped:
        start.set_up()
    assert stopped.value.code == start.NO_ENVIRONMENT
    version = start.dotted(sys.version_info[:2])
    assert f"apt-get install python{version}-venv" in str(stopped.value)


def test_a_folder_of_someone_else_s_is_not_removed(start: ModuleType) -> None:
    mine = Path(start.VENV)
    mine.mkdir()
    (mine / "notes.txt").write_text("keep me")
    with pytest.raises(start.Stop) as stopped:
        start.set_up()
    assert stopped.value.code == start.NO_ENVIRONMENT
    assert (mine / "notes.txt").read_text() == "keep me"


@pytest.mark.serial
def test_libraries_that_do_not_come_are_said_and_asked_for_again(folder: Path) -> None:
    env = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": "", "PIP_CONFIG_FILE": os.devnull}
    for _ in range(2):
        done = run(folder, "setup", env=env)
        assert done.returncode == 22, done.stdout + done.stderr
        assert "could not be installed" in done.stdout
        assert "No matching distribution" in done.stdout
        assert "Traceback" not in done.stderr
        assert not (folder / ".venv" / "proofstand-is-set-up").exists()
    assert "unfinished environment" in done.stdout


class Recorder:
    """Stands in for the three slow parts of set-up and notes which were asked for."""

    def __init__(self, start: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
        self.did: list[str] = []
        self.start = start
        for part in ALL_PARTS:
            monkeypatch.setattr(start, part, lambda part=part: self.note(part))
        monkeypatch.setattr(
            start, "version_of", lambda command: tuple(sys.version_info[:2])
        )

    def note(self, part: str) -> None:
        if part == "make_environment":
            Path(self.start.VENV).mkdir(exist_ok=True)
        assert not Path(self.start.STAMP).exists(), "unfinished, and stamped"
        self.did.append(part)

    def set_up(self) -> list[str]:
        self.did = []
        self.start.set_up()
        return self.did


ALL_PARTS = [
    "make_environment",
    "install_libraries",
    "install_project",
    "compile_gas",
]


def test_the_stamp_says_what_has_to_be_redone(
    start: ModuleType, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(start, monkeypatch)
    assert recorder.set_up() == ALL_PARTS
    assert recorder.set_up() == []

    with (folder / "pyproject.toml").open("a") as file:
        file.write("# a new line\n")
    assert recorder.set_up() == ["install_project", "compile_gas"]
    assert recorder.set_up() == []

    with (folder / "requirements.lock").open("a") as file:
        file.write("# a new line\n")
    assert recorder.set_up() == ALL_PARTS

    Path(start.STAMP).unlink()
    assert recorder.set_up() == ALL_PARTS


def test_an_install_that_breaks_leaves_no_stamp(
    start: ModuleType, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder(start, monkeypatch)
    recorder.set_up()

    def breaks() -> None:
        raise start.Stop(start.NO_LIBRARIES, "the network went away")

    with monkeypatch.context() as patch:
        patch.setattr(start, "install_project", breaks)
        with (folder / "pyproject.toml").open("a") as file:
            file.write("# a new line\n")
        with pytest.raises(start.Stop):
            start.set_up()
    assert recorder.set_up() == ALL_PARTS


def test_a_missing_lock_is_said(start: ModuleType, folder: Path) -> None:
    (folder / "requirements.lock").unlink()
    with pytest.raises(start.Stop, match=r"requirements\.lock is missing"):
        start.set_up()


@pytest.mark.parametrize(
    ("codes", "whole"),
    [
        ([0, 0], 0),
        ([0, 5], 0),
        ([5, 0], 0),
        ([5, 5], 23),
        ([1, 0], 1),
        ([0, 1], 1),
        ([5, 2], 2),
        ([3, 1], 3),
    ],
)
def test_one_verdict_for_two_groups(
    start: ModuleType, codes: list[int], whole: int
) -> None:
    assert start.verdict(codes) == whole


@pytest.mark.parametrize(
    ("words", "marks"),
    [
        ([], ["not serial and not slow", "serial and not slow"]),
        (["--slow", "-x"], ["not serial and slow", "serial and slow"]),
    ],
)
def test_the_two_groups_of_tests(
    start: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    marks: list[str],
) -> None:
    asked: list[list[str]] = []

    def note(command: list[str], cwd: str | None = None) -> int:
        assert cwd == start.ROOT
        asked.append(command[1:])
        return 0

    monkeypatch.setattr(start, "run", note)
    assert start.test(words) == 0
    rest = [word for word in words if word != "--slow"]
    assert asked == [
        ["-m", "pytest", "-n", "2", "-m", marks[0], *rest],
        ["-m", "pytest", "-m", marks[1], *rest],
    ]
    assert project()["tool"]["pytest"]["ini_options"]["markers"]


def test_children_get_one_thread_for_linear_algebra_unless_told(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    assert start.surroundings()["OPENBLAS_NUM_THREADS"] == "1"
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "2")
    assert start.surroundings()["OPENBLAS_NUM_THREADS"] == "2"


@pytest.mark.skipif(os.name == "nt", reason="a shell command")
def test_a_child_s_end_is_told_as_a_shell_would(start: ModuleType) -> None:
    assert start.run([sys.executable, "-c", "raise SystemExit(12)"]) == 12
    killed = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    assert start.run([sys.executable, "-c", killed]) == 128 + 9


APT = """#!/bin/sh
echo "$@" >> "{log}"
case "$1" in update) : > "{updated}"; exit 0;; esac
[ -e "{updated}" ] || [ "{fresh}" = yes ] || exit 100
: > "{installed}"
"""


class Debian:
    """A computer with an apt-get that notes what it is asked, and no Qt libraries."""

    def __init__(self, folder: Path, *, lists_fresh: bool) -> None:
        self.bin = folder / "bin"
        self.bin.mkdir()
        self.log, self.installed = folder / "log", folder / "installed"
        apt = self.bin / "apt-get"
        apt.write_text(
            APT.format(
                log=self.log,
                updated=folder / "updated",
                installed=self.installed,
                fresh="yes" if lists_fresh else "no",
            )
        )
        apt.chmod(0o755)

    def lacks(self) -> str:
        return "" if self.installed.exists() else "libxcb-cursor.so.0: no such file"

    def asked(self) -> list[str]:
        return self.log.read_text().splitlines() if self.log.exists() else []


@pytest.fixture
def debian(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Debian:
    if os.name == "nt":
        pytest.skip("a Debian")
    there = Debian(tmp_path, lists_fresh=True)
    monkeypatch.setenv("PATH", f"{there.bin}{os.pathsep}/bin{os.pathsep}/usr/bin")
    monkeypatch.setattr(start.os, "geteuid", lambda: 0)
    monkeypatch.setattr(start, "window_lacks", there.lacks)
    return there


def test_root_on_debian_gets_the_libraries_and_is_told(
    start: ModuleType, debian: Debian, capfd: pytest.CaptureFixture[str]
) -> None:
    assert start.window_ready(True)
    assert len(debian.asked()) == 1
    assert "libxcb-cursor0" in debian.asked()[0]
    assert "installing with apt-get: libglib2.0-0" in capfd.readouterr().out


def test_old_package_lists_are_fetched(
    start: ModuleType,
    debian: Debian,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    other = tmp_path / "old"
    other.mkdir()
    old = Debian(other, lists_fresh=False)
    monkeypatch.setenv("PATH", f"{old.bin}{os.pathsep}/bin{os.pathsep}/usr/bin")
    monkeypatch.setattr(start, "window_lacks", old.lacks)
    assert start.window_ready(True)
    assert [line.split()[0] for line in old.asked()] == ["install", "update", "install"]


@pytest.mark.parametrize("root", [True, False])
def test_nothing_outside_is_touched_where_that_is_not_wanted_or_not_allowed(
    start: ModuleType,
    debian: Debian,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    root: bool,
) -> None:
    monkeypatch.setattr(start.os, "geteuid", lambda: 0 if root else 1000)
    assert not start.window_ready(not root)
    assert debian.asked() == []
    said = capfd.readouterr().out
    assert "libxcb-cursor.so.0" in said
    assert "sudo apt-get install libglib2.0-0" in said


def test_another_system_is_told_what_is_missing(
    start: ModuleType,
    debian: Debian,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    (debian.bin / "apt-get").unlink()
    monkeypatch.setattr(start, "on_path", lambda name: [])
    assert not start.window_ready(True)
    assert "install the libraries that Qt 6 needs" in capfd.readouterr().out


def test_the_window_is_asked_for_at_a_terminal_with_a_display_only(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    became: list[list[str]] = []

    def become(words: list[str]) -> int:
        became.append(words[1:])
        return 0

    monkeypatch.setattr(start, "become", become)
    monkeypatch.setattr(start, "window_ready", lambda system: True)
    monkeypatch.setattr(start, "has_display", lambda: False)
    start.demo(["--out", "d"], True)
    monkeypatch.setattr(start, "has_display", lambda: True)
    start.demo(["--out", "d"], True)
    monkeypatch.setattr(start, "window_ready", lambda system: False)
    start.demo([], True)
    assert became == [
        ["demo", "--out", "d"],
        ["demo", "--window", "--out", "d"],
        ["demo"],
    ]
    assert start.window([], True) == start.NO_SYSTEM


def test_without_a_terminal_there_is_no_display(
    start: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Stream:
        def isatty(self) -> bool:
            return False

    monkeypatch.setenv("DISPLAY", ":7")
    monkeypatch.setattr(start.sys, "stdin", Stream())
    assert not start.has_display()
