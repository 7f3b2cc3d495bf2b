"""Who may use the app when it serves the local network: one passcode lets one browser in, once.

A browser that gave the passcode gets a key of its own, so that a phone may lock its screen without
typing again. Nothing here is written to disk: when the app ends, every key ends with it.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

# No letters or digits that are mistaken for one another when read off a screen.
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
_LETTERS_N = 10  # 50 bits
_TRIES_N = 5
_WAIT_S = 60.0
_KEY_LASTS_S = 12 * 3600.0


@dataclass
class Gate:
    """The door of one running app. `address` is where the network finds it, for the QR code."""

    address: str
    clock: Callable[[], float] = time.monotonic
    _passcode: str = field(default_factory=lambda: _new_passcode(), repr=False)
    _wrong_n: int = 0
    _shut_until_s: float = 0.0
    _keys: dict[str, float] = field(default_factory=dict, repr=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    @property
    def passcode(self) -> str:
        """The passcode for the next browser, as it is shown: two groups of five."""
        return f"{self._passcode[:5]}-{self._passcode[5:]}"

    @property
    def link(self) -> str:
        """The address with the passcode in it; worth nothing once it has been used."""
        return f"{self.address}/?code={self.passcode}"

    @property
    def shut_for_s(self) -> float:
        """Seconds until the next try is allowed after too many wrong ones; 0 when open."""
        return max(0.0, self._shut_until_s - self.clock())

    def enter(self, typed: str) -> str | None:
        """Try a passcode. Returns a fresh key for this browser, or None when it is wrong or the door is shut.

        A right passcode is used up. After five wrong ones a new passcode is made and the door stays shut
        for a minute.
        """
        given = "".join(c for c in typed.upper() if c.isalnum())
        with self._lock:
            if self.shut_for_s > 0:
                return None
            if not hmac.compare_digest(given.encode(), self._passcode.encode()):
                self._wrong_n += 1
                if self._wrong_n >= _TRIES_N:
                    self._wrong_n, self._passcode = 0, _new_passcode()
                    self._shut_until_s = self.clock() + _WAIT_S
                return None
            self._wrong_n, self._passcode = 0, _new_passcode()
            key = secrets.token_urlsafe(24)
            self._keys[_digest(key)] = self.clock() + _KEY_LASTS_S
            return key

    def admits(self, key: str | None) -> bool:
        """Whether a key was given out by this run of the app within the last twelve hours."""
        if not key:
            return False
        with self._lock:
            now = self.clock()
            self._keys = {digest: until for digest, until in self._keys.items() if until > now}
            return _digest(key) in self._keys

    def leave(self, key: str | None) -> None:
        """End a browser's key."""
        with self._lock:
            self._keys.pop(_digest(key or ""), None)


_gate: Gate | None = None


def open_gate(address: str) -> Gate:
    """From now on this process asks every browser for a passcode."""
    global _gate
    _gate = Gate(address)
    return _gate


def current_gate() -> Gate | None:
    """The gate of this process; None when the app listens on this machine only."""
    return _gate


def _new_passcode() -> str:
    return "".join(secrets.choice(_LETTERS) for _ in range(_LETTERS_N))


def _digest(key: str) -> str:
    # Looking a digest up tells nothing about a key through the time it takes.
    return hashlib.sha256(key.encode()).hexdigest()
