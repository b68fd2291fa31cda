"""The databases that an index is tried on."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

import pytest
import sqlalchemy as sa

from .postgres import serve


@pytest.fixture(scope="session")
def lacks_server() -> Callable[[str], NoReturn]:
    """Give up as `lacks` does, for a fixture of the whole session."""

    def give_up(what: str) -> NoReturn:
        if os.environ.get("CI"):
            pytest.fail(f"CI must have what this test needs: {what}")
        pytest.skip(what)

    return give_up


@pytest.fixture(scope="session")
def postgres(lacks_server: Callable[[str], NoReturn]) -> Iterator[str]:
    """Give the address of a PostgreSQL server's database."""
    yield from serve(lacks_server)


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.serial)])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return the address of an empty database, of either kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'index.sqlite'}"
    address: str = request.getfixturevalue("postgres")
    engine = sa.create_engine(address.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.execute(sa.text("DROP SCHEMA public CASCADE"))
        connection.execute(sa.text("CREATE SCHEMA public"))
    engine.dispose()
    return address
