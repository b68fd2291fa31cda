"""Analysis and procedure take all they know from their arguments.

No clock, no thread, no file, no hidden state: what they say about a run can be said
again in ten years. The import contracts forbid the modules; this reads the calls.
"""

import ast
from pathlib import Path

import pytest

from tests.house.tree import ROOT, contracts, room_files

pytestmark = pytest.mark.tree

PURE = ("analysis", "proofstand/procedure")

FORBIDDEN_CALLS = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}
FORBIDDEN_METHODS = {
    # clocks
    "now", "today", "utcnow", "monotonic", "perf_counter", "sleep",
    # files, ours and numpy's
    "read_text", "write_text", "read_bytes", "write_bytes", "loadtxt", "savetxt",
    "genfromtxt", "fromfile", "tofile", "memmap", "savez",
    # generators whose seed nobody gave
    "rand", "randn", "randint", "random_sample", "RandomState",
}  # fmt: skip


def impurities(source: str) -> list[str]:
    """Return what a module's text does that a pure one may not, with its line."""
    forbidden = set(contracts()["pure-rooms"]["forbidden_modules"])
    found = []
    for node in ast.walk(ast.parse(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names if a.name.split(".")[0] in forbidden]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            top = (node.module or "").split(".")[0]
            names = [top] if top in forbidden else []
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            names = [node.func.id] if node.func.id in FORBIDDEN_CALLS else []
            if node.func.id == "default_rng" and not (node.args or node.keywords):
                names = ["default_rng without a seed"]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            names = [node.func.attr] if node.func.attr in FORBIDDEN_METHODS else []
            if node.func.attr == "default_rng" and not (node.args or node.keywords):
                names = ["default_rng without a seed"]
        elif isinstance(node, ast.Global | ast.Nonlocal):
            names = ["global"] if isinstance(node, ast.Global) else []
        found += [f"{getattr(node, 'lineno', 0)}: {name}" for name in names]
    return found


@pytest.mark.parametrize("room", PURE)
def test_nothing_impure(room: str) -> None:
    files = room_files(room)
    assert files
    found = {
        str(path.relative_to(ROOT)): impure
        for path in files
        if (impure := impurities(path.read_text(encoding="utf-8")))
    }
    assert found == {}


@pytest.mark.parametrize(
    "source",
    [
        "import time",
        "import threading",
        "from pathlib import Path",
        "import os.path",
        "from time import monotonic",
        "def f():\n    import asyncio",
        "open('run.h5')",
        "datetime.now(UTC)",
        "datetime.datetime.today()",
        "np.loadtxt('trace.csv')",
        "Path('x').read_text()",
        "np.random.default_rng()",
        "np.random.randn(3)",
        "def f():\n    global seen\n    seen = 1",
        "print('done')",
    ],
)
def test_planted_impurity_is_found(source: str) -> None:
    assert len(impurities(source)) == 1


@pytest.mark.parametrize(
    "source",
    [
        "import math\nimport datetime",
        "rng = np.random.default_rng(7)",
        "from .clean import holds\nfrom records.trace import Trace",
        "from . import time_constants",
        "np.searchsorted(t_s, start_s)",
    ],
)
def test_pure_text_is_let_through(source: str) -> None:
    assert impurities(source) == []


def init_is_a_docstring(path: Path) -> bool:
    """Tell whether a package's face holds nothing but its docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return len(tree.body) == 1 and ast.get_docstring(tree) is not None


@pytest.mark.parametrize("room", ["records", "rig", "analysis", "proofstand", "gui"])
def test_every_face_is_a_docstring(room: str) -> None:
    faces = [path for path in room_files(room) if path.name == "__init__.py"]
    assert faces
    assert [path for path in faces if not init_is_a_docstring(path)] == []


@pytest.mark.parametrize("room", ["records", "rig", "analysis", "proofstand", "gui"])
def test_every_folder_with_modules_is_a_package(room: str) -> None:
    folders = {path.parent for path in room_files(room)}
    assert [one for one in folders if not (one / "__init__.py").is_file()] == []
