"""What went wrong on a wire, counted by kind."""

from __future__ import annotations

from collections import Counter

# In the order in which they are told.
KINDS = (
    "silent",  # no answer in time
    "refused",  # exception reply
    "crc",  # check of the frame or line does not fit
    "partial",  # an answer that broke off
    "split",  # an answer in pieces, whole in the end
    "late",  # an answer to a request that was given up
    "duplicate",  # the same answer once more
    "echo",  # our own request came back
    "stray",  # bytes that belong to nothing
    "wrong_device",  # an answer from another device
    "wrong_function",  # an answer to another kind of request
    "wrong_count",  # another number of registers than asked
    "garbled",  # a line that does not fit its pattern
    "retried",  # asked once more at once
    "reopened",  # connected again
)


class WireCounts(Counter[str]):
    """How often each kind of trouble was seen; see ``KINDS``."""

    def told(self) -> dict[str, str]:
        """Return what was seen at all, as text, in a fixed order."""
        return {kind: str(self[kind]) for kind in KINDS if self[kind]}
