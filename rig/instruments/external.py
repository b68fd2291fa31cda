"""Instruments of other makers' drivers, found by entry point (docs/drivers.md)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib.metadata import entry_points

from records.errors import InputError, RigError
from records.rig import Channel, Instrument
from rig.clock import Clock

from .reading import OpenInstrument, Reading, Readings

GROUP = "proofstand.instruments"
Driver = Callable[[Instrument, tuple[Channel, ...], Clock], OpenInstrument]


class External:
    """A driver's instrument, whose own failures are told as any instrument's.

    Args:
        declared, channels, clock: what the driver is given.

    Raises:
        InputError: ``driver_unknown``. RigError: ``driver_failed``, or its own.
    """

    def __init__(
        self, declared: Instrument, channels: Sequence[Channel], clock: Clock
    ) -> None:
        self.declared = declared
        self.channels = tuple(channels)
        found = {point.name: point for point in entry_points(group=GROUP)}
        if declared.driver not in found:
            raise InputError(
                "driver_unknown",
                where=declared.id,
                given=declared.driver or "''",
                known=", ".join(sorted(found)) or "none",
            )
        try:
            driver: Driver = found[declared.driver].load()
            self._instrument = driver(declared, self.channels, clock)
        except (RigError, InputError):
            raise
        except Exception as error:
            raise self._failed(error) from error
        line: object = getattr(self._instrument, "line", None)
        self.line = self if line is None else line
        self.counts: Mapping[str, int] = getattr(self._instrument, "counts", {})
        self.doubtful = bool(getattr(self._instrument, "doubtful", False))
        self.every_s = float(
            getattr(self._instrument, "every_s", declared.period.value_si)
        )

    def read(self) -> Reading | Readings | None:
        """Ask the driver.

        Raises:
            RigError: what the driver says, or ``driver_failed``.
        """
        try:
            return self._instrument.read()
        except RigError:
            raise
        except Exception as error:
            raise self._failed(error) from error

    def close(self) -> None:
        """Hang up."""
        try:
            self._instrument.close()
        except Exception as error:
            raise self._failed(error) from error

    def _failed(self, error: Exception) -> RigError:
        return RigError(
            "driver_failed",
            where=self.declared.id,
            instrument=self.declared.id,
            driver=self.declared.driver,
            why=f"{type(error).__name__}: {error}",
        )
