"""PINs: which are refused, how one is kept so that it can be checked and not read.

What is kept is scrypt (RFC 7914) of the PIN with a salt of its own and the cost that it
was made with. Costs as the OWASP cheat sheet on password storage has them, from memory.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
import unicodedata
from contextlib import suppress
from dataclasses import dataclass
from datetime import date

from records.errors import InputError

FORMAT = "proofstand.pin/1"
LEAST, MOST = 6, 64  # characters
SALT_BYTES, HASH_BYTES = 16, 32
_LEAST_DIFFERENT = 3
_LEAST_ROW, _MOST_AROUND = 4, 4  # letters of a row, and digits around it
_ROWS = (
    "01234567890",
    "abcdefghijklmnopqrstuvwxyz",
    *("qwertyuiop", "asdfghjkl", "zxcvbnm"),
    *("qwertzuiop", "yxcvbnm", "azertyuiop"),
)
_OFTEN = frozenset(
    {
        *("password", "passwort", "passw0rd", "letmein", "welcome", "proofstand"),
        *("regulator", "pressure", "159753", "147258", "147258369", "789456123"),
        *("1q2w3e", "1q2w3e4r", "qazwsx", "112233", "102030", "secret", "changeme"),
    }
)


@dataclass(frozen=True, slots=True)
class Cost:
    """What checking a PIN costs: scrypt's N, r and p."""

    n: int
    r: int
    p: int

    @property
    def memory_bytes(self) -> int:
        """What the computation needs, with some room."""
        return 128 * self.r * (self.n + self.p) + (1 << 20)


COST = Cost(1 << 16, 8, 2)
# What a file may ask for: one that was put there must not stop the program.
_MOST_COST = Cost(1 << 20, 32, 16)


def scrypt(pin: bytes, salt: bytes, cost: Cost, length: int = HASH_BYTES) -> bytes:
    """Return scrypt of a PIN."""
    return hashlib.scrypt(
        pin,
        salt=salt,
        n=cost.n,
        r=cost.r,
        p=cost.p,
        maxmem=cost.memory_bytes,
        dklen=length,
    )


def kept(pin: str) -> bytes:
    """Return what is kept of a PIN: a new salt, the cost, and the slow hash."""
    salt, cost = secrets.token_bytes(SALT_BYTES), COST
    told = {
        "format": FORMAT,
        "kdf": "scrypt",
        "n": cost.n,
        "r": cost.r,
        "p": cost.p,
        "salt": salt.hex(),
        "hash": scrypt(_bytes(pin), salt, cost).hex(),
    }
    return json.dumps(told).encode() + b"\n"


def fits(pin: str, data: bytes) -> bool:
    """Tell whether a PIN is the one that this was kept of; takes the same time always.

    Raises:
        ValueError: what is kept is none of ours.
    """
    told = json.loads(data)
    try:
        cost = Cost(int(told["n"]), int(told["r"]), int(told["p"]))
        salt, wanted = bytes.fromhex(told["salt"]), bytes.fromhex(told["hash"])
        is_ours = told["format"] == FORMAT and told["kdf"] == "scrypt"
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"no PIN is kept here: {error}") from None
    most = _MOST_COST
    if not is_ours or cost.n > most.n or cost.r > most.r or cost.p > most.p:
        raise ValueError("no PIN of ours is kept here")
    return hmac.compare_digest(scrypt(_bytes(pin), salt, cost, len(wanted)), wanted)


def _bytes(pin: str) -> bytes:
    # another keyboard may compose the same sign in another way
    return unicodedata.normalize("NFKC", pin).encode("utf-8", "surrogatepass")


def refuse_weak(pin: str, name: str) -> None:
    """Refuse a PIN that somebody would guess first.

    Args:
        pin: as typed.
        name: whose it would be.

    Raises:
        InputError: ``pin_weak``; the PIN itself is in no error.
    """
    plain = _plain(pin)
    bare = "".join(sign for sign in plain if sign.isalnum())
    why = ""
    if not LEAST <= len(pin) <= MOST:
        why = f"it has to have {LEAST} to {MOST} characters"
    elif pin != pin.strip() or not pin.isprintable():
        why = "it begins or ends with a blank, or holds a sign that can't be printed"
    elif len(set(plain)) < _LEAST_DIFFERENT:
        why = f"it has fewer than {_LEAST_DIFFERENT} different characters"
    elif _is_often(bare) or _is_day(bare):
        why = "it is among those that are guessed first"
    elif _repeats(plain):
        why = "it repeats a shorter one"
    elif _is_name(bare, name):
        why = "it is made of the name"
    if why:
        raise InputError("pin_weak", why=why)


def _is_often(bare: str) -> bool:
    """Tell whether it is a word or a row that many take, with digits around or not."""
    letters = bare.strip("0123456789")
    around = len(letters) >= _LEAST_ROW and len(bare) - len(letters) <= _MOST_AROUND
    return any(
        text in _OFTEN or _is_row(text) for text in (bare, letters if around else bare)
    )


def _is_day(bare: str) -> bool:
    """Tell whether it is a day of these two centuries, in any order."""
    if len(bare) != 8 or not bare.isascii() or not bare.isdigit():
        return False
    for text in (bare, bare[4:] + bare[2:4] + bare[:2], bare[4:] + bare[:4]):
        with suppress(ValueError):
            if 1900 <= date.fromisoformat(text).year < 2100:
                return True
    return False


def _is_row(bare: str) -> bool:
    """Tell whether it is a piece of the digits, the alphabet or a row of keys."""
    return any(bare in row or bare in row[::-1] for row in _ROWS) and bool(bare)


def _repeats(plain: str) -> bool:
    size = len(plain)
    return any(
        size % part == 0 and plain == plain[:part] * (size // part)
        for part in range(1, size // 2 + 1)
    )


def _is_name(bare: str, name: str) -> bool:
    """Tell whether nothing but words of the name, initials and digits is in it."""
    letters = "".join(sign for sign in bare if not sign.isdigit())
    words = ["".join(s for s in w if s.isalpha()) for w in _plain(name).split()]
    initials = {word[0] for word in words if word}
    left = letters
    for word in sorted(words, key=len, reverse=True):
        if len(word) > 1:
            left = left.replace(word, "").replace(word[::-1], "")
    return left != letters and initials.issuperset(left)


def _plain(text: str) -> str:
    return unicodedata.normalize("NFKC", text).casefold()
