"""Who may come in: Digest authentication, as RFC 7616 and RFC 2617 have it and OpenRosa restricts it (MD5, `auth` or no qop).

Passwords are generated and never kept: only MD5(name:realm:password), which is what the digest needs. Nonces are signed by a
secret of this run, so that asking for one costs no memory; what was used of one is remembered, so that nothing is good twice.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.request import parse_http_list, parse_keqv_list

from formpack.words import marked, tr
from pipeline.findings import Refused
from pipeline.outputs import one_file, to_disk

REALM = "formpack"
NONCE_SECONDS = 900
"""How long a nonce is good for; after it a phone is told to go on with a new one, without asking its user."""
MOST_USES = 5000
MOST_NONCES = 5000
FAILURES, FAILURES_OF_ADDRESS, LOCK_SECONDS = 8, 40, 600
"""So many wrong passwords for one name from one address in so many seconds lock it out so long; so many of one address in all,
and no other can be tried there, but a right one is good: all phones behind a router may have one address."""
MOST_ADDRESSES = 5000
"""Addresses whose failures are remembered, the last ones."""
_LETTERS = "23456789abcdefghjkmnpqrstuvwxyz"
"""None that is taken for another: no 0 and o, 1, i and l."""
_HEX = re.compile(r"[0-9a-f]{32}")
_COUNT = re.compile(r"[0-9a-fA-F]{8}")


def _md5(text: str) -> str:
    return hashlib.md5(text.encode(), usedforsecurity=False).hexdigest()


def new_password() -> str:
    """Four times four letters: 79 bits."""
    return "-".join("".join(secrets.choice(_LETTERS) for _ in range(4)) for _ in range(4))


class People:
    """Who may send, and the hashes of their passwords, in a file that only its owner may read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stamp: tuple[int, int] | None = None
        self._hashes: dict[str, str] = {}

    def hashes(self) -> dict[str, str]:
        """Code of a person -> MD5(code:realm:password), as the file has it now. Raises Refused where it cannot be read."""
        try:
            about = self.path.stat()
        except FileNotFoundError:
            self._stamp, self._hashes = None, {}
            return {}
        if self._stamp != (stamp := (about.st_mtime_ns, about.st_size)):
            try:
                found = json.loads(self.path.read_text(encoding="utf-8"))
                wrong = not isinstance(found, dict) or not all(_HEX.fullmatch(str(h)) for h in found.values())
            except (ValueError, RecursionError):
                wrong = True
            if wrong:
                said = marked("{file} is damaged; delete it, and give each person a new password with --add-person.")
                raise Refused(tr(said, file=self.path))
            self._stamp, self._hashes = stamp, found
        return self._hashes

    def add(self, code: str, password: str) -> Callable[[], None]:
        """Let a person in with a password; the former one is no longer good. Returns what takes that back. Raises Refused and
        OSError."""
        before = self.hashes()
        self._write(before | {code: _md5(f"{code}:{REALM}:{password}")})
        return lambda: self._write(before)

    def remove(self, code: str) -> bool:
        """Let a person in no more. Returns whether they were let in before. Raises Refused and OSError."""
        hashes = dict(self.hashes())
        was_there = hashes.pop(code, None) is not None
        self._write(hashes)
        return was_there

    def _write(self, hashes: dict[str, str]) -> None:
        self.path.parent.mkdir(mode=0o700, exist_ok=True)
        with one_file(self.path) as beside:
            beside.touch(mode=0o600)
            beside.write_text(json.dumps(dict(sorted(hashes.items())), indent=1), encoding="utf-8")
            to_disk(beside)
        to_disk(self.path.parent)


@dataclass(frozen=True)
class Entry:
    """What a request's credentials are worth: a person, or why not. `is_stale` where only the nonce was too old."""

    person: str = ""
    is_stale: bool = False
    is_locked: bool = False
    failed: str = ""
    """The name with which a wrong password was tried."""


class Doors:
    """Judges credentials. `now` gives seconds that only go forwards."""

    def __init__(self, people: People, now: Callable[[], float] = time.monotonic) -> None:
        self._people, self._now = people, now
        self._secret, self._opaque = secrets.token_bytes(32), secrets.token_hex(16)
        self._used: dict[str, set[int]] = {}
        self._failures: OrderedDict[str, list[tuple[float, str]]] = OrderedDict()
        """Address -> when a password was wrong there, and the hash that it had to meet: a new slip begins anew."""
        self._lock = threading.Lock()

    def challenge(self, is_stale: bool = False) -> str:
        """The WWW-Authenticate header."""
        said = (
            f'Digest realm="{REALM}", domain="/", qop="auth", nonce="{self._nonce()}", opaque="{self._opaque}", algorithm=MD5'
        )
        return f"{said}, stale=true" if is_stale else said

    def _nonce(self) -> str:
        begun = f"{self._now():.3f}:{secrets.token_hex(8)}"
        return f"{begun}:{self._signed(begun)}"

    def _signed(self, text: str) -> str:
        return hmac.new(self._secret, text.encode(), hashlib.sha256).hexdigest()[:32]

    def _is_fresh(self, nonce: str) -> bool:
        begun, _, mark = nonce.rpartition(":")
        if not hmac.compare_digest(self._signed(begun).encode(), mark.encode()):
            return False
        return self._now() - float(begun.partition(":")[0]) <= NONCE_SECONDS

    def judge(self, method: str, target: str, header: str | None, address: str) -> Entry:
        """What the Authorization header is worth for a request to `target`, the path and query as they were sent."""
        given = _credentials(header, target)
        if given is None:
            return Entry()
        name = given["username"]
        with self._lock:
            known = self._people.hashes()
            kept = known.get(name, _md5(f"{name}:{REALM}:{self._opaque}"))  # as much work for a name that nobody has
            recent = self._recent(address)
            if sum(met == kept for _, met in recent) >= FAILURES:
                return Entry(is_locked=True, failed=name)
            is_right = hmac.compare_digest(_response(kept, method, given).encode(), given["response"].encode())
            if not is_right or name not in known:
                if len(recent) >= FAILURES_OF_ADDRESS:
                    return Entry(is_locked=True, failed=name)
                self._fail(kept, address)
                return Entry(failed=name)
            if not self._is_fresh(given["nonce"]) or given.get("opaque", self._opaque) != self._opaque:
                return Entry(is_stale=True)
            if not self._take(given):
                return Entry(is_stale=True)
            if address in self._failures:
                self._failures[address] = [one for one in self._failures[address] if one[1] != kept]
            return Entry(person=name)

    def _take(self, given: dict[str, str]) -> bool:
        """Use up a nonce for this count; without qop it is good once. False where that was used."""
        used = self._used.setdefault(given["nonce"], set())
        count = int(given["nc"], 16) if "qop" in given else -1
        if count in used or -1 in used or (count == -1 and used) or len(used) >= MOST_USES:
            return False
        used.add(count)
        if len(self._used) > MOST_NONCES:
            self._used = {nonce: counts for nonce, counts in self._used.items() if self._is_fresh(nonce)}
            while len(self._used) > MOST_NONCES:  # the oldest would be good again, so all nonces are made void
                self._used, self._secret = {}, secrets.token_bytes(32)
        return True

    def _fail(self, kept: str, address: str) -> None:
        self._failures[address] = [*self._recent(address), (self._now(), kept)]
        self._failures.move_to_end(address)
        if len(self._failures) > MOST_ADDRESSES:
            self._failures.popitem(last=False)

    def _recent(self, address: str) -> list[tuple[float, str]]:
        since = self._now() - LOCK_SECONDS
        return [one for one in self._failures.get(address, ()) if one[0] > since]


def _credentials(header: str | None, target: str) -> dict[str, str] | None:
    """The parts of a Digest header that is one, and is about this request; None otherwise."""
    scheme, _, rest = (header or "").partition(" ")
    if scheme.lower() != "digest" or len(rest) > 2000 or not rest.isprintable():
        return None
    try:
        pairs = parse_http_list(rest)
        given = parse_keqv_list([f"{key.strip().lower()}={value}" for key, _, value in (p.partition("=") for p in pairs)])
    except (ValueError, IndexError):
        return None
    wanted = {"username", "realm", "nonce", "uri", "response"} | ({"nc", "cnonce"} if "qop" in given else set())
    if len(given) != len(pairs) or not wanted <= given.keys():
        return None
    given["response"] = given["response"].lower()
    is_ours = (
        given["realm"] == REALM
        and given.get("algorithm", "MD5").upper() == "MD5"
        and given.get("qop", "auth") == "auth"
        and _HEX.fullmatch(given["response"]) is not None
        and ("qop" not in given or _COUNT.fullmatch(given["nc"]) is not None)
        and _path(given["uri"]) == _path(target)
    )
    return given if is_ours else None


def _path(uri: str) -> str:
    """Path and query of an address that may be absolute."""
    return re.sub(r"^https?://[^/]*", "", uri)


def _response(kept: str, method: str, given: dict[str, str]) -> str:
    """The `response` that the holder of the password makes (RFC 7616, 3.4.1; without qop RFC 2617, 3.2.2.1)."""
    asked = _md5(f"{method}:{given['uri']}")
    if "qop" not in given:
        return _md5(f"{kept}:{given['nonce']}:{asked}")
    return _md5(f"{kept}:{given['nonce']}:{given['nc']}:{given['cnonce']}:{given['qop']}:{asked}")
