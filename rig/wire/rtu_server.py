"""The server end of Modbus RTU: requests taken out of bytes, and answered.

Functions 3, 4 and 16 are answered, anything else gets exception 1; a request for
another device, or one whose check does not fit, is passed over in silence (Modbus over
serial line specification V1.02, 2.4.1).
"""

from __future__ import annotations

import logging
import struct
from collections.abc import Iterator

from records.rig import RegisterTable

from .modbus_server import DeviceException, RegisterBank
from .rtu_frame import fits, with_check

_log = logging.getLogger(__name__)
_TABLES: dict[int, RegisterTable] = {3: "holding", 4: "input"}
_WRITE = 16
_SHORT = 8  # a request of functions 1 to 6
_MOST = 512


class RtuAnswers:
    """Answers the requests to one device.

    Args:
        bank: what is served. device: the number it answers to.
    """

    def __init__(self, bank: RegisterBank, device: int) -> None:
        self._bank = bank
        self._device = device
        self._data = b""

    def took(self, data: bytes) -> Iterator[tuple[bytes, bytes]]:
        """Take bytes; yield each request that is whole, and its answer."""
        self._data = (self._data + data)[-_MOST:]
        while self._data:
            size = _size(self._data)
            if size is None:
                return
            request = self._data[:size]
            if not fits(request):
                self._data = self._data[1:]  # look for a beginning further on
                continue
            self._data = self._data[size:]
            if request[0] == self._device:
                yield request, self.answer(request)

    def answer(self, request: bytes) -> bytes:
        """Return the answer to a whole request."""
        function = request[1]
        try:
            data = self._answer(function, request[2:-2])
        except LookupError:
            data = None, 2
        except ValueError:
            data = None, 3
        except DeviceException as error:
            data = None, error.code
        except Exception:
            _log.exception("request %s", request.hex())
            data = None, 4
        body, code = data
        if body is None:
            return with_check(bytes((self._device, function | 0x80, code)))
        return with_check(bytes((self._device, function)) + body)

    def _answer(self, function: int, data: bytes) -> tuple[bytes | None, int]:
        address, count = struct.unpack(">HH", data[:4])
        if function in _TABLES:
            if not 1 <= count <= 125:
                return None, 3
            words = self._bank.read(_TABLES[function], address, count)
            return struct.pack(f">B{count}H", 2 * count, *words), 0
        if function == _WRITE:
            words = struct.unpack(f">{count}H", data[5:])
            self._bank.write(address, words)
            return data[:4], 0
        return None, 1


def _size(data: bytes) -> int | None:
    """Return the size of the request that begins here; None when too short to tell."""
    if len(data) > 1 and data[1] == _WRITE:
        if len(data) < 7:
            return None
        size = 9 + data[6]
    else:
        size = _SHORT
    return size if len(data) >= size else None
