"""Who may open a shop's page: names with a role, and a password or a link that opens it once.

A store without any lets everybody in whom the page's token lets in, and says of each review that nobody checked who
wrote it. Of a password and of a link only a hash is kept. Whoever can write to the store can make themselves one.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from sqlalchemy import Connection, Row, delete, select, update

from assistant.errors import Problem
from assistant.record.chain import canonical_json
from assistant.record.record import utc_now
from assistant.review.store import schema as s
from assistant.review.store.store import ACCOUNT, Store, insert_if_absent

Role = Literal["technician", "supervisor", "owner"]
"""A technician looks at visits; a supervisor also signs, and sees how the crews do; an owner also signs their own."""

REVIEWERS: tuple[Role, ...] = ("supervisor", "owner")

SHORTEST_PASSWORD = 12
"""Characters (common practice)."""

LINK_LASTS = timedelta(hours=1)


@dataclass(frozen=True)
class User:
    """Somebody who may open the page. changed: when the account last was, UTC."""

    name: str
    role: Role
    changed: str

    @property
    def reviews(self) -> bool:
        """Whether they may sign visits."""
        return self.role in REVIEWERS


class Accounts:
    """The accounts of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def all(self) -> list[User]:
        """Everybody, by name."""
        return [_user(row) for row in self._store._all(select(s.account).order_by(s.account.c.name))]

    def find(self, name: str) -> User | None:
        """Who has this name."""
        row = self._row(name)
        return _user(row) if row else None

    def put(self, name: str, role: Role) -> None:
        """Adds somebody, or gives them another role; what they had open ends."""
        if not name.strip() or name != name.strip() or len(name) > 100:
            raise Problem("Give the name as it is to stand beside a review, at most 100 characters.")
        with self._store._asked(write=True) as connection:
            values = {"role": role, "changed": utc_now()}
            empty = {"name": name, "password": "", "link": "", "link_until": ""}
            connection.execute(insert_if_absent(connection, s.account), [{**empty, **values}])
            connection.execute(update(s.account).where(s.account.c.name == name).values(values))
            self._note(connection, name, role)

    def remove(self, name: str) -> None:
        """Takes somebody out; what they signed stays."""
        with self._store._asked(write=True) as connection:
            if not connection.execute(delete(s.account).where(s.account.c.name == name)).rowcount:
                raise _unknown(name)
            self._note(connection, name, "")

    def set_password(self, name: str, password: str) -> None:
        """Sets somebody's password; what they had open ends."""
        if len(password) < SHORTEST_PASSWORD:
            raise Problem(f"That password is too short; use at least {SHORTEST_PASSWORD} characters.")
        self._change(name, {"password": hash_of(password), "changed": utc_now()})

    def make_link(self, name: str) -> str:
        """The secret of a link that opens the page once, within `LINK_LASTS`; an earlier one opens nothing more."""
        link = secrets.token_urlsafe(24)
        until = (datetime.now(UTC) + LINK_LASTS).isoformat()
        self._change(name, {"link": _digest(link), "link_until": until})
        return link

    def by_password(self, name: str, password: str) -> User | None:
        """Who has this name and this password. It takes as long for a name that nobody has."""
        row = self._row(name)
        fits = is_of(password, row.password if row and row.password else _NOBODY)
        return _user(row) if row and row.password and fits else None

    def by_link(self, link: str) -> User | None:
        """Whose link this is; it is used up."""
        account = s.account.c
        with self._store._asked(write=True) as connection:
            found = select(s.account).where(account.link == _digest(link)).with_for_update()
            row = connection.execute(found).one_or_none() if link else None
            if row is None or datetime.fromisoformat(row.link_until) < datetime.now(UTC):
                return None
            connection.execute(update(s.account).where(account.name == row.name).values(link="", link_until=""))
            return _user(row)

    def _row(self, name: str) -> Row[tuple[str, ...]] | None:
        with self._store._asked() as connection:
            return connection.execute(select(s.account).where(s.account.c.name == name)).one_or_none()

    def _note(self, connection: Connection, name: str, role: str) -> None:
        """Keeps in the log of the store that somebody has a role; empty: that they were taken out."""
        self._store._log(connection, "", ACCOUNT, canonical_json({"name": name, "role": role}))

    def _change(self, name: str, values: dict[str, str]) -> None:
        with self._store._asked(write=True) as connection:
            if not connection.execute(update(s.account).where(s.account.c.name == name).values(values)).rowcount:
                raise _unknown(name)


def hash_of(password: str, salt: bytes | None = None) -> str:
    """The salt and the scrypt hash of a password, in hex."""
    salt = salt or secrets.token_bytes(16)
    # N, r and p of the OWASP Password Storage Cheat Sheet (from memory, verify): 16 MB and some 0.2 s.
    return f"{salt.hex()}:{hashlib.scrypt(password.encode(), salt=salt, n=2**14, r=8, p=5).hex()}"


def is_of(password: str, kept: str) -> bool:
    """Whether a hash is that of this password."""
    return hmac.compare_digest(hash_of(password, bytes.fromhex(kept.split(":", maxsplit=1)[0])), kept)


_NOBODY = f"{'00' * 16}:{'00' * 64}"


def _digest(link: str) -> str:
    # It is as long as a key and random, so that no slow hash is needed.
    return hashlib.sha256(link.encode()).hexdigest()


def _unknown(name: str) -> Problem:
    return Problem(f"Nobody has the name {name!r}; add them with: assistant shop user NAME --role ROLE")


def _user(row: Row[tuple[str, ...]]) -> User:
    return User(row.name, row.role, row.changed)
