"""Who may come in: signed cookies, the token that every report must carry, and how often a password may be tried.

Pure except for random numbers. Nothing is kept per session: the cookie itself says when it was made and whether its
bearer signed in, signed by itsdangerous. The key is in the store, so that a restart of the daemon signs nobody out;
password and token are part of it, so that a new one of either signs everybody out.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections import OrderedDict
from dataclasses import dataclass

from itsdangerous import BadData, Signer, URLSafeSerializer

from monitor.values import DAY_S

LASTS_S = 30 * DAY_S
GRANT_S = 36 * 3600.0  # the button of an evening's notice may still be pressed the next morning
TRIES = 5  # wrong passwords from one address before it has to wait ...
ALL_TRIES = 50  # ... and from everywhere, as addresses are cheap in some networks
WAIT_S = 600.0
ADDRESSES = 1000  # remembered; beyond them the limit for all holds


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One browser. `signed_in` is whether the password was given (or none is asked for)."""

    id: str
    made_s: int
    signed_in: bool


class Seal:
    """Makes and reads cookies and tokens. A new password or a new token for programs ends every session."""

    def __init__(self, key: str, password: str | None, token: str | None) -> None:
        secret = json.dumps([key, password, token])
        how = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
        self._cookies = URLSafeSerializer(secret, salt="cookie", signer_kwargs=how)
        self._tokens = Signer(secret, salt="token", key_derivation="hmac", digest_method=hashlib.sha256)
        self._grants = URLSafeSerializer(secret, salt="fed", signer_kwargs=how)
        self._addresses = Signer(secret, salt="address", key_derivation="hmac", digest_method=hashlib.sha256)

    def begin(self, now_s: float, *, signed_in: bool) -> Session:
        """A new session."""
        return Session(id=secrets.token_urlsafe(18), made_s=int(now_s), signed_in=signed_in)

    def cookie(self, session: Session) -> str:
        """The session as a cookie's value."""
        return str(self._cookies.dumps([session.id, session.made_s, session.signed_in]))

    def read(self, cookie: str | None, now_s: float) -> Session | None:
        """The session that a cookie stands for; None for one that is not ours or has expired."""
        if cookie is None or len(cookie) > 200:
            return None
        try:
            id_, made_s, signed_in = self._cookies.loads(cookie)
        except (BadData, ValueError):
            return None
        session = Session(id=id_, made_s=made_s, signed_in=signed_in)
        return session if -60 <= now_s - session.made_s < LASTS_S else None

    def token(self, session: Session) -> str:
        """The token that the page sends with each report: another site can make the browser send the cookie, but does
        not know this."""
        return self._tokens.get_signature(f"{session.id}.{session.made_s}").decode()

    def address(self, what: str) -> str:
        """An unguessable part of an address for something that is shown to whoever knows it."""
        return self._addresses.get_signature(what).decode()

    def grant(self, jar: str, now_s: float) -> str:
        """A grant: whoever has it may report one thing, that this jar was fed, until it is a day and a half old."""
        return str(self._grants.dumps([jar, int(now_s)]))

    def granted(self, grant: str, now_s: float) -> str | None:
        """The jar that a grant is for; None for one that is not ours or too old."""
        if len(grant) > 300:
            return None
        try:
            jar, made_s = self._grants.loads(grant)
        except (BadData, ValueError):
            return None
        return str(jar) if -60 <= now_s - made_s < GRANT_S else None

    def is_token(self, session: Session, given: str | None) -> bool:
        """Whether a token belongs to the session."""
        return given is not None and same(given, self.token(session))


def same(given: str, wanted: str) -> bool:
    """Whether two secrets are equal, in a time that reveals neither their length nor where they differ."""
    one, other = (hashlib.sha256(text.encode("utf-8", "replace")).digest() for text in (given, wanted))
    return hmac.compare_digest(one, other)


class Tries:
    """Counts wrong passwords. Bounded memory; times are the caller's (monotonic, s)."""

    def __init__(self) -> None:
        self._wrong: OrderedDict[str, list[float]] = OrderedDict()

    def wait_s(self, address: str, now_s: float) -> float:
        """Seconds until this address may try again; 0 when it may now."""
        mine, everyone = self._recent(address, now_s), self._recent("", now_s)
        until_s = [times[0] + WAIT_S for times, most in ((mine, TRIES), (everyone, ALL_TRIES)) if len(times) >= most]
        return max((at_s - now_s for at_s in until_s), default=0.0)

    def wrong(self, address: str, now_s: float) -> None:
        """Count a wrong password from this address."""
        for key, most in ((address, TRIES), ("", ALL_TRIES)):
            times = [*self._recent(key, now_s), now_s][-most:]
            self._wrong[key] = times
            self._wrong.move_to_end(key)
        while len(self._wrong) > ADDRESSES:
            oldest = next(key for key in self._wrong if key)
            del self._wrong[oldest]

    def right(self, address: str) -> None:
        """The right password came: forget the wrong ones from that address."""
        self._wrong.pop(address, None)

    def _recent(self, key: str, now_s: float) -> list[float]:
        return [at_s for at_s in self._wrong.get(key, []) if now_s - at_s < WAIT_S]
