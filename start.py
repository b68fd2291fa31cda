"""Set Proofstand up in a folder of its own, then run it.

python3 start.py [OPTIONS]        set up, then the demo: one regulator from the first
                                  zero to the certificate, on a simulated rig; at a
                                  terminal with a display the Bench desk opens after it
python3 start.py window [ARGS]    set up, then the Bench desk
python3 start.py setup            set up and stop
python3 start.py test [ARGS]      set up, then the tests; ARGS go to pytest
python3 start.py test --slow      set up, then only the long tests

(On Windows: py start.py.) Everything is installed into .venv beside this file, from
requirements.lock. A second start is quick. The window needs some libraries of the
system that a bare Linux lacks: as root on Debian or its kin they are installed after
saying so, else the command for it is shown. With --no-system, anywhere on the line,
nothing outside this folder is touched.

Exit codes of this file: 20 no fitting Python, 21 no environment could be made,
22 the libraries could not be installed, 23 no test ran, 24 libraries of the system are
missing. Any other code is that of the command that was run.
"""

# This file has to parse on old Pythons, so that it can say which one it wants:
# no annotations, no f-strings, nothing but the standard library.
from __future__ import print_function

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
import time

OLDEST = (3, 11)
NEWEST = (3, 14)

NO_PYTHON = 20
NO_ENVIRONMENT = 21
NO_LIBRARIES = 22
NO_TEST = 23
NO_SYSTEM = 24
PYTEST_FOUND_NOTHING = 5
LINES_SHOWN = 30

ROOT = os.path.dirname(os.path.abspath(__file__))
VENV = os.path.join(ROOT, ".venv")
LOCK = os.path.join(ROOT, "requirements.lock")
PROJECT = os.path.join(ROOT, "pyproject.toml")
STAMP = os.path.join(VENV, "proofstand-is-set-up")

# What a window needs of a bare Debian; libxcb-cursor0 and the next four on a display.
WINDOW_PACKAGES = [
    "libglib2.0-0",
    "libgl1",
    "libegl1",
    "libfontconfig1",
    "libxkbcommon0",
    "libdbus-1-3",
    "libxcb-cursor0",
    "libxkbcommon-x11-0",
    "libxcb-icccm4",
    "libxcb-keysyms1",
    "libxcb-shape0",
]
# What the tests look at windows, pages and wires with; without it those are skipped.
TEST_PROGRAMS = {
    "Xvfb": "xvfb",
    "xdotool": "xdotool",
    "qpdf": "qpdf",
    "pdfsig": "poppler-utils",
    "openssl": "openssl",
    "mbpoll": "mbpoll",
    "h5dump": "hdf5-tools",
    "pg_ctlcluster": "postgresql",
}
# Loads what the window loads: the library, then the part that speaks to a display.
WINDOW_QUESTION = """
import ctypes, os, sys
try:
    import PySide6.QtSvg, PySide6.QtWidgets
    if sys.platform.startswith("linux"):
        home = os.path.dirname(PySide6.__file__)
        ctypes.CDLL(os.path.join(home, "Qt", "plugins", "platforms", "libqxcb.so"))
except (ImportError, OSError) as error:
    sys.exit(str(error))
"""

FAST = ["not serial and not slow", "serial and not slow"]
SLOW = ["not serial and slow", "serial and slow"]


class Stop(Exception):
    """Set-up can't go on; holds the exit code and what to tell the reader."""

    def __init__(self, code, message):
        # type: (int, str) -> None
        Exception.__init__(self, message)
        self.code = code


def say(text):
    # type: (str) -> None
    """Print a line at once, so that it stands above what a child prints."""
    print("start: " + text)
    sys.stdout.flush()


def dotted(version):
    # type: (tuple[int, ...]) -> str
    """Return (3, 11) as 3.11."""
    return ".".join(str(part) for part in version)


# --- the right Python ----------------------------------------------------------------


def fits(version):
    # type: (tuple[int, ...]) -> bool
    """Tell whether the lock holds libraries for this Python."""
    return OLDEST <= version[:2] <= NEWEST


def on_path(name):
    # type: (str) -> list[str]
    """Return every program of that name on PATH, first one first."""
    found = []
    for folder in os.environ.get("PATH", "").split(os.pathsep):
        for ending in ("", ".exe"):
            path = os.path.join(folder, name + ending)
            if folder and os.path.isfile(path) and os.access(path, os.X_OK):
                found.append(path)
    return found


def version_of(command):
    # type: (list[str]) -> tuple[int, ...]
    """Ask a Python for its version; empty when it does not run."""
    question = "import sys; print('%d %d' % sys.version_info[:2])"
    try:
        child = subprocess.Popen(
            command + ["-c", question],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        answer = child.communicate()[0].decode("ascii", "replace").split()
    except (OSError, ValueError):
        return ()
    if child.returncode != 0 or len(answer) != 2:
        return ()
    return tuple(int(part) for part in answer)


def fitting_python():
    # type: () -> list[str]
    """Return the command of the newest Python that fits, or an empty list."""
    for minor in range(NEWEST[1], OLDEST[1] - 1, -1):
        candidates = [[path] for path in on_path("python3.%d" % minor)]
        candidates += [[path, "-3.%d" % minor] for path in on_path("py")]
        for command in candidates:
            if version_of(command) == (3, minor):
                return command
    return []


def change_python(argv):
    # type: (list[str]) -> int
    """Run this file again with a Python that fits, and return its exit code."""
    mine = dotted(sys.version_info[:3])
    wanted = "Python %s to %s" % (dotted(OLDEST), dotted(NEWEST))
    other = fitting_python()
    if not other:
        raise Stop(
            NO_PYTHON,
            "this is Python %s (%s), and Proofstand needs %s. None was found on PATH. "
            "Install one, then run this file with it, for example: python3.11 start.py"
            % (mine, sys.executable, wanted),
        )
    say("this is Python %s; going on with %s" % (mine, " ".join(other)))
    return become(other + [os.path.abspath(__file__)] + argv)


# --- running things ------------------------------------------------------------------


def surroundings():
    # type: () -> dict[str, str]
    """Return the environment for what is started from here."""
    env = dict(os.environ)
    # On small arrays the threads of the linear algebra cost more than they give.
    env.setdefault("OPENBLAS_NUM_THREADS", "1")
    env["PIP_DISABLE_PIP_VERSION_CHECK"] = "1"
    env["PIP_USER"] = "0"
    for name in ("PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "PIP_DRY_RUN", "PYTHONHOME"):
        env.pop(name, None)
    return env


def run(command, cwd=None):
    # type: (list[str], str | None) -> int
    """Run a command to its end and return its exit code as a shell would."""
    child = subprocess.Popen(command, cwd=cwd, env=surroundings())
    while True:
        try:
            code = child.wait()
            break
        except KeyboardInterrupt:
            # The child was interrupted too, and says itself how it ends.
            continue
    return code if code >= 0 else 128 - code


def run_quietly(command):
    # type: (list[str]) -> bool
    """Run a command that asks nothing; show what it printed only if it fails."""
    with open(os.devnull) as nothing, tempfile.TemporaryFile() as printed:
        code = subprocess.call(
            command,
            env=surroundings(),
            stdin=nothing,
            stdout=printed,
            stderr=subprocess.STDOUT,
        )
        if code != 0:
            printed.seek(0)
            lines = printed.read().decode("utf-8", "replace").splitlines()
            print("\n".join("    " + line for line in lines[-LINES_SHOWN:]))
    return code == 0


def become(command):
    # type: (list[str]) -> int
    """End in a command: signals and its exit code are then its own."""
    if os.name == "nt":
        return run(command)
    sys.stdout.flush()
    os.execve(command[0], command, surroundings())


def program(name):
    # type: (str) -> str
    """Return the path of a program inside the environment."""
    if os.name == "nt":
        return os.path.join(VENV, "Scripts", name + ".exe")
    return os.path.join(VENV, "bin", name)


# --- set-up --------------------------------------------------------------------------


def digest(path):
    # type: (str) -> str
    """Return the SHA-256 of a text file, whatever its line endings."""
    with open(path, "rb") as file:
        return hashlib.sha256(file.read().replace(b"\r\n", b"\n")).hexdigest()


def fingerprint():
    # type: () -> list[str]
    """Return what the environment depends on; the last line is the project's own."""
    python = "%s %s" % (dotted(sys.version_info[:3]), os.path.realpath(sys.executable))
    return [ROOT, python, digest(LOCK), digest(PROJECT)]


def stamped():
    # type: () -> list[str]
    """Return the fingerprint of the last finished set-up, empty if there is none."""
    try:
        with open(STAMP, "rb") as file:
            lines = file.read().decode("utf-8", "replace").splitlines()
    except (IOError, OSError):
        return []
    works = version_of([program("python")]) == sys.version_info[:2]
    return lines if works else []


def forget():
    # type: () -> None
    """Remove the stamp: from here on the set-up is unfinished."""
    if os.path.exists(STAMP):
        os.remove(STAMP)


def make_environment():
    # type: () -> None
    """Make an empty .venv, in place of an old or half-made one."""
    if not can_make_environments():
        raise Stop(NO_ENVIRONMENT, without_venv())
    if os.path.exists(VENV):
        ours = os.path.exists(os.path.join(VENV, "pyvenv.cfg"))
        if not (ours or (os.path.isdir(VENV) and not os.listdir(VENV))):
            raise Stop(
                NO_ENVIRONMENT,
                "%s is in the way and is no Python environment; move it away" % VENV,
            )
        say("removing the old or unfinished environment %s" % VENV)
        shutil.rmtree(VENV, ignore_errors=True)
        if os.path.exists(VENV):
            raise Stop(
                NO_ENVIRONMENT,
                "%s could not be removed whole; close what still runs from it, then "
                "start again" % VENV,
            )
    say("making the environment %s" % VENV)
    if not run_quietly([sys.executable, "-m", "venv", VENV]):
        raise Stop(
            NO_ENVIRONMENT,
            "Python could not make the environment (its message stands above); is "
            "there room on the disk, and may you write in %s?" % ROOT,
        )


def can_make_environments():
    # type: () -> bool
    """Tell whether this Python has what some systems pack apart from it."""
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        return False
    return True


def without_venv():
    # type: () -> str
    """Say how to get the part of Python that makes environments."""
    text = "this Python (%s) can't make environments: " % sys.executable
    if on_path("apt-get"):
        root = hasattr(os, "geteuid") and os.geteuid() == 0
        command = "apt-get install python%s-venv" % dotted(sys.version_info[:2])
        return text + "run\n\n    %s%s\n\nthen start again" % (
            "" if root else "sudo ",
            command,
        )
    return text + "its modules venv and ensurepip are missing; install them first"


def install_libraries():
    # type: () -> None
    """Install what the lock names, each file checked against its hash."""
    with open(LOCK) as file:
        count = sum("==" in line and line[0].isalpha() for line in file)
    say("installing up to %d libraries from requirements.lock; a few minutes" % count)
    pip = [program("python"), "-m", "pip", "install", "--quiet", "--no-input"]
    locked = ["--no-deps", "--require-hashes", "--only-binary", ":all:", "-r", LOCK]
    if not run_quietly(pip + locked):
        raise Stop(
            NO_LIBRARIES,
            "the libraries could not be installed (pip's message stands above). "
            "Is the network reachable, through a proxy where the shop has one, and is "
            "there a gigabyte free on the disk? Start again when it is: the set-up "
            "then begins anew.",
        )


def install_project():
    # type: () -> None
    """Make the environment use the packages in this folder; needs no network."""
    say("installing Proofstand itself")
    pip = [program("python"), "-m", "pip", "install", "--quiet", "--no-input"]
    here = ["--no-index", "--no-build-isolation", "--no-deps", "--editable", ROOT]
    if not run_quietly(pip + here):
        raise Stop(
            NO_LIBRARIES,
            "Proofstand itself could not be installed (pip's message stands above); "
            "are all files of this folder there?",
        )


def compile_gas():
    # type: () -> None
    """Compile the simulated gas now, so that the first simulated test need not wait."""
    say("compiling the simulated gas")
    ready = "from rig.simulator.solver import ready; ready()"
    if not run_quietly([program("python"), "-c", ready]):
        say("that did not work now; it is done when it is first needed")


def set_up():
    # type: () -> None
    """Bring .venv to what the lock and the project say; the stamp is written last."""
    for path in (LOCK, PROJECT):
        if not os.path.isfile(path):
            raise Stop(NO_LIBRARIES, "%s is missing; fetch the folder again" % path)
    began = time.time()
    want, have = fingerprint(), stamped()
    if have == want:
        say("already set up in %s" % VENV)
        return
    if have[:-1] != want[:-1]:
        forget()
        make_environment()
        install_libraries()
    forget()
    install_project()
    compile_gas()
    with open(STAMP, "wb") as file:
        file.write("\n".join(want).encode("utf-8"))
    say("set up in %.0f s" % (time.time() - began))


# --- what the system has to give ------------------------------------------------------


def can_install():
    # type: () -> bool
    """Tell whether packages of the system can be installed from here."""
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    return root and bool(on_path("apt-get"))


def install_packages(packages):
    # type: (list[str]) -> bool
    """Install packages of a Debian; the list of them is fetched when they need it."""
    say("installing with apt-get: " + " ".join(packages))
    command = ["apt-get", "install", "--yes", "-qq", "--no-install-recommends"]
    env = dict(surroundings(), DEBIAN_FRONTEND="noninteractive")
    with open(os.devnull) as nothing, tempfile.TemporaryFile() as printed:

        def done(words):
            # type: (list[str]) -> bool
            try:
                code = subprocess.call(
                    words,
                    env=env,
                    stdin=nothing,
                    stdout=printed,
                    stderr=subprocess.STDOUT,
                )
            except OSError:
                return False
            return code == 0

        if done(command + packages):
            return True
        if done(["apt-get", "update", "-qq"]) and done(command + packages):
            return True
        printed.seek(0)
        lines = printed.read().decode("utf-8", "replace").splitlines()
        print("\n".join("    " + line for line in lines[-LINES_SHOWN:]))
    return False


def how_to_install(packages):
    # type: (list[str]) -> str
    """Return the command that a person gives on a Debian."""
    return "sudo apt-get install " + " ".join(packages)


def window_lacks():
    # type: () -> str
    """Return what keeps a window from opening, as the system says it, or nothing."""
    child = subprocess.Popen(
        [program("python"), "-c", WINDOW_QUESTION],
        env=surroundings(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    said = child.communicate()[1].decode("utf-8", "replace").strip()
    if child.returncode == 0:
        return ""
    return said.splitlines()[-1] if said else "Qt can't be loaded"


def window_ready(system):
    # type: (bool) -> bool
    """Bring what a window needs of the system, or say what is missing and how to."""
    lacking = window_lacks()
    if lacking and system and can_install():
        install_packages(WINDOW_PACKAGES)
        lacking = window_lacks()
    if not lacking:
        return True
    say("no window can be opened here: " + lacking)
    if on_path("apt-get"):
        say("this brings what it needs:\n\n    %s\n" % how_to_install(WINDOW_PACKAGES))
    else:
        say("install the libraries that Qt 6 needs on this system, then start again")
    return False


def tests_ready(system):
    # type: (bool) -> None
    """Bring what some tests look with; where it can't be had they are skipped."""
    window_ready(system)
    lacking = [p for name, p in sorted(TEST_PROGRAMS.items()) if not on_path(name)]
    if lacking and os.name != "nt":
        if not (system and can_install() and install_packages(lacking)):
            say("some tests will be skipped; " + how_to_install(lacking))


def has_display():
    # type: () -> bool
    """Tell whether a window could be shown to a person who sits here."""
    seated = sys.stdin.isatty() and sys.stdout.isatty()
    if os.name == "nt" or sys.platform == "darwin":
        return seated
    there = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    return seated and bool(there)


# --- what to run ---------------------------------------------------------------------


def test(arguments):
    # type: (list[str]) -> int
    """Run the tests in two groups: side by side, then one after another."""
    slow = "--slow" in arguments
    rest = [word for word in arguments if word != "--slow"]
    python = [program("python"), "-m", "pytest"]
    codes = []
    for marks in SLOW if slow else FAST:
        workers = [] if marks.startswith("serial") else ["-n", "2"]
        say("pytest -m '%s'" % marks)
        codes.append(run(python + workers + ["-m", marks] + rest, cwd=ROOT))
        if codes[-1] == 130:
            return 130
    return verdict(codes)


def verdict(codes):
    # type: (list[int]) -> int
    """Return one exit code for several groups of tests."""
    ran = [code for code in codes if code != PYTEST_FOUND_NOTHING]
    if not ran:
        say("no test ran")
        return NO_TEST
    return next((code for code in ran if code != 0), 0)


def demo(arguments, system):
    # type: (list[str], bool) -> int
    """Run the main job from end to end on the simulated rig, then show it."""
    shown = ["--window"] if has_display() and window_ready(system) else []
    return become([program("proofstand"), "demo"] + shown + arguments)


def window(arguments, system):
    # type: (list[str], bool) -> int
    """Open the Bench desk."""
    if not window_ready(system):
        return NO_SYSTEM
    return become([program("proofstand"), "window"] + arguments)


def main(argv):
    # type: (list[str]) -> int
    """Do what the command line asks and return the exit code."""
    given = argv
    system = "--no-system" not in given
    argv = [each for each in given if each != "--no-system"]
    word = argv[0] if argv else ""
    if word in ("-h", "--help"):
        print(__doc__)
        return 0
    if word not in ("setup", "test", "window") and word and not word.startswith("-"):
        say(
            "there is no '%s' here; use window, setup, test, or nothing for the demo "
            "(start.py --help says more)" % word
        )
        return 2
    if word == "setup" and len(argv) > 1:
        say("setup takes nothing after it, and got: %s" % " ".join(argv[1:]))
        return 2
    if not fits(sys.version_info[:2]):
        return change_python(given)
    if os.path.realpath(sys.prefix) == os.path.realpath(VENV):
        base = getattr(sys, "_base_executable", sys.executable)
        if os.path.realpath(os.path.dirname(base)).startswith(os.path.realpath(VENV)):
            raise Stop(
                NO_PYTHON,
                "this is the Python inside .venv, which the set-up may have to "
                "replace; start with the computer's own Python instead",
            )
        return become([base, os.path.abspath(__file__)] + given)
    set_up()
    if word == "setup":
        return 0
    if word == "test":
        tests_ready(system)
        return test(argv[1:])
    if word == "window":
        return window(argv[1:], system)
    return demo(argv, system)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except Stop as stop:
        say(str(stop))
        sys.exit(stop.code)
    except KeyboardInterrupt:
        say("interrupted")
        sys.exit(130)
