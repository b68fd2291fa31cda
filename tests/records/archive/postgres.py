"""A PostgreSQL server of the tests' own, run by its own user."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

USER = "postgres"


def program(name: str) -> str | None:
    """Return where a program of the server is; Debian keeps them off the PATH."""
    found = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), reverse=True)
    return str(found[0]) if found else shutil.which(name)


def serve(lacks: Callable[[str], NoReturn]) -> Iterator[str]:
    """Give the address of a server's empty database while the test runs."""
    initdb, control = program("initdb"), program("pg_ctl")
    if initdb is None or control is None:
        lacks("PostgreSQL: apt-get install postgresql")
    as_user: list[str] = []
    if os.name != "nt" and os.getuid() == 0:  # the server refuses root
        if shutil.which("runuser") is None or not _is_user(USER):
            lacks(f"a user {USER} to run PostgreSQL as")
        as_user = ["runuser", "-u", USER, "--"]
    # where that user may look, which is not in the tests' own folder
    folder = Path(tempfile.mkdtemp(prefix="proofstand-pg-"))
    if as_user:
        shutil.chown(folder, USER, USER)
    data, port = folder / "data", _free_port()
    ours = [*as_user, control, "-D", str(data), "-w", "-t", "60"]

    def call(*command: str) -> None:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, check=False
        )
        if done.returncode:
            log = folder / "log"
            more = log.read_text("utf-8")[-2000:] if log.exists() else ""
            raise RuntimeError(done.stdout + done.stderr + more)

    try:
        call(*as_user, initdb, "-D", str(data), "-E", "UTF8", "--locale=C.UTF-8")
        where = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1 -c fsync=off"
        call(*ours, "-l", str(folder / "log"), "-o", where, "start")
        try:
            user = USER if as_user else os.environ.get("USER", USER)
            yield f"postgresql://{user}@127.0.0.1:{port}/postgres"
        finally:
            call(*ours, "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _is_user(name: str) -> bool:
    import pwd

    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])
