"""The sound of an alarm: two tones that are made here, played by what the system has.

A program that plays sounds gets them where there is one; the system's beep comes in any
case. A machine without sound loses nothing but the sound.
"""

from __future__ import annotations

import io
import math
import shutil
import struct
import subprocess
import wave
from collections.abc import Callable
from functools import cache

from PySide6.QtWidgets import QApplication

RATE_HZ = 22_050
# A falling pair between the hum of fans and the noise of grinders.
TONES_HZ = (1175.0, 880.0)
EACH_S, FADE_S = 0.28, 0.015
LOUD = 0.8
EVERY_S = 1.4
# Programs that take a sound on their standard input; the first one found plays.
PLAYERS = (("pw-cat", "-p", "-"), ("aplay", "-q", "-"))


@cache
def sound() -> bytes:
    """Return the two tones as a WAV file, 16 bit, one channel."""
    samples: list[int] = []
    count, fade = round(EACH_S * RATE_HZ), round(FADE_S * RATE_HZ)
    for tone in TONES_HZ:
        for i in range(count):
            edge = min(i, count - 1 - i, fade) / fade
            height = LOUD * edge * math.sin(2.0 * math.pi * tone * i / RATE_HZ)
            samples.append(round(32_767 * height))
    made = io.BytesIO()
    with wave.open(made, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(struct.pack(f"<{len(samples)}h", *samples))
    return made.getvalue()


class Tone:
    """Sounds again and again as long as it is wanted.

    Args:
        clock: seconds, only ever forward.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._last_s = -math.inf
        self._player: subprocess.Popen[bytes] | None = None
        self._plays = True

    def want(self, wanted: bool) -> None:
        """Say at each beat whether it is to sound."""
        if not wanted:
            self._last_s = -math.inf
            return
        now = self._clock()
        if now - self._last_s >= EVERY_S:
            self._last_s = now
            self._sound()

    def _sound(self) -> None:
        QApplication.beep()
        before = self._player
        if before is not None:
            done = before.poll()
            if done is None:
                return  # the last one is not yet through
            self._plays, self._player = done == 0, None
        if not self._plays:
            return
        player = next((p for p in PLAYERS if shutil.which(p[0])), None)
        if player is None:
            return
        try:
            self._player = subprocess.Popen(
                player,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            assert self._player.stdin is not None
            with self._player.stdin as pipe:
                pipe.write(sound())
        except OSError:
            self._plays = False  # no sound here; the words stand

    def close(self) -> None:
        """Leave nothing running."""
        if self._player is not None:
            self._player.kill()
            self._player.wait()
            self._player = None
