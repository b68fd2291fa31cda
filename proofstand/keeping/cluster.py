"""Work spread over several computers by Dask, the extra ``cluster``.

Scheduler and workers are the shop's own: they need the same Proofstand, and see the
archive's folder under the same path. A worker that dies loses nothing: its pieces are
done by another one.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from records.errors import InputError, ProofstandError

from .workers import Lost, R, T

WAIT_S = 10
_AHEAD = 200


class Cluster:
    """Workers of a Dask cluster.

    Args:
        address: of its scheduler, as ``tcp://bench-server:8786``.

    Raises:
        InputError: ``cluster_library_missing``.
    """

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError as error:
            raise InputError("cluster_library_missing", why=error) from None
        self._library: Any = distributed
        self._address = address

    def each(
        self, work: Callable[[T], R], pieces: Iterable[T]
    ) -> Iterator[tuple[T, R | Lost]]:
        """See :class:`~.workers.Workers`.

        Raises:
            InputError: ``cluster_unreachable``.
        """
        library = self._library
        try:
            client = library.Client(self._address, timeout=WAIT_S)
        except (OSError, ValueError, TimeoutError) as error:
            raise InputError(
                "cluster_unreachable", where=self._address, why=error or "no answer"
            ) from None
        left, out = iter(pieces), deque[tuple[T, Any]]()
        try:
            while True:
                for piece in left:
                    future = client.submit(work, piece, pure=False, retries=0)
                    out.append((piece, future))
                    if len(out) >= _AHEAD:
                        break
                if not out:
                    return
                piece, future = out.popleft()
                yield piece, self._came(future)
        finally:
            for _, future in out:
                future.cancel()
            client.close()

    def _came(self, future: Any) -> Any:
        try:
            return future.result()
        except ProofstandError:
            raise
        except self._library.scheduler.KilledWorker:
            return Lost()
