"""People and what lets them in: names, roles, sessions, tokens, links, invitations; and the audit log of changes.

Of each secret only a digest is kept, so that nobody who reads the database, or a backup of it, has one to use. A change
and its line in the audit log are one transaction. It decides nothing: who may do what is for its callers.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any, Literal

from pipeline.store.sql import Connection, SqlDatabase

Kind = Literal["session", "token", "link", "invitation"]
MOST_SESSIONS = 20  # of a person: the one used longest ago makes room
MOST_AUDITED = 20_000  # lines: the oldest make room
_PERSON = "p.id, p.name, r.role, p.password <> '', p.added_at_ms"
_PEOPLE = f"SELECT {_PERSON} FROM person AS p JOIN person_role AS r ON r.person = p.id AND r.site = ?"
_CREDENTIAL = (
    "SELECT c.kind, c.name, coalesce(p.name, ''), coalesce(r.role, c.role), c.made_at_ms, c.used_at_ms, c.ends_at_ms, "
    "c.person FROM credential AS c LEFT JOIN person AS p ON p.id = c.person "
    "LEFT JOIN person_role AS r ON r.person = c.person AND r.site = c.site"
)


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may sign in. `has_password` is false until the invitation was taken. [ms since 1970, UTC]"""

    id: int
    name: str
    role: str
    has_password: bool
    added_at_ms: int


@dataclass(frozen=True, slots=True)
class Credential:
    """A secret somebody shows in place of a password.

    Attributes
    ----------
    kind : str
    name : str
        Of a token or a link; empty for others.
    person : str
        Name of whose session or invitation it is; empty for others.
    role : str
        The person's at this site, empty where there is none; of a token or link what it was made for.
    made_at_ms, used_at_ms, ends_at_ms : int
        Used last, 0 for never. [ms since 1970, UTC]
    person_id : int or None
    """

    kind: Kind
    name: str
    person: str
    role: str
    made_at_ms: int
    used_at_ms: int
    ends_at_ms: int
    person_id: int | None = None


@dataclass(frozen=True, slots=True)
class AuditLine:
    """What was changed, by whom and when. [ms since 1970, UTC]"""

    at_ms: int
    who: str
    what: str


class People:
    """The people of one site, in one database.

    Parameters
    ----------
    database : SqlDatabase
    site : str
        Whose roles, tokens and links are meant.
    """

    def __init__(self, database: SqlDatabase, site: str) -> None:
        self._database, self._site = database, site

    # --- people ------------------------------------------------------------------------------------------------

    def people(self) -> list[Person]:
        """Return everybody who has a role at the site, by name."""
        with self._database.reading() as connection:
            rows = connection.execute(f"{_PEOPLE} ORDER BY p.folded", (self._site,)).fetchall()
        return [_person(row) for row in rows]

    def person(self, name: str) -> Person | None:
        """Return whoever has a name, in whatever case it is written."""
        with self._database.reading() as connection:
            row = connection.execute(f"{_PEOPLE} WHERE p.folded = ?", (self._site, name.casefold())).fetchone()
        return None if row is None else _person(row)

    def add(self, name: str, role: str, at_ms: int, *, by: str) -> Person | None:
        """Add somebody; None where the name is taken."""
        with self._database.transaction() as tx:
            taken = tx.execute("SELECT 1 FROM person WHERE folded = ?", (name.casefold(),)).fetchone()
            if taken is not None:
                return None
            (number,) = tx.execute(
                "INSERT INTO person (name, folded, added_at_ms) VALUES (?, ?, ?) RETURNING id",
                (name, name.casefold(), at_ms),
            ).fetchone()
            tx.execute("INSERT INTO person_role VALUES (?, ?, ?)", (number, self._site, role))
            self._note(tx, at_ms, by, f"person {name} added as {role}")
        return Person(int(number), name, role, has_password=False, added_at_ms=at_ms)

    def set_role(self, person: Person, role: str, at_ms: int, *, by: str) -> None:
        """Give somebody another role; it holds at once, in open sessions too."""
        with self._database.transaction() as tx:
            tx.execute("UPDATE person_role SET role = ? WHERE person = ? AND site = ?", (role, person.id, self._site))
            self._note(tx, at_ms, by, f"person {person.name} made {role}, was {person.role}")

    def remove(self, person: Person, at_ms: int, *, by: str) -> None:
        """Take somebody out, with all sessions and invitations. What they wrote in the diary keeps their name."""
        with self._database.transaction() as tx:
            for table in ("person_role", "credential"):
                tx.execute(f"DELETE FROM {table} WHERE person = ? AND site = ?", (person.id, self._site))
            tx.execute("DELETE FROM person WHERE id = ? AND id NOT IN (SELECT person FROM person_role)", (person.id,))
            self._note(tx, at_ms, by, f"person {person.name} removed")

    def password_of(self, person: Person) -> str:
        """Return the hash of somebody's password, empty where none was chosen yet."""
        with self._database.reading() as connection:
            row = connection.execute("SELECT password FROM person WHERE id = ?", (person.id,)).fetchone()
        return "" if row is None else str(row[0])

    def set_password(self, person: Person, hashed: str, at_ms: int, *, by: str) -> None:
        """Keep the hash of a new password; sessions and invitations from before it end."""
        with self._database.transaction() as tx:
            tx.execute("DELETE FROM credential WHERE person = ?", (person.id,))
            tx.execute("UPDATE person SET password = ? WHERE id = ?", (hashed, person.id))
            self._note(tx, at_ms, by, f"password of {person.name} set")

    def hash_anew(self, person: Person, hashed: str) -> None:
        """Keep the same password by another hash."""
        with self._database.transaction() as tx:
            tx.execute("UPDATE person SET password = ? WHERE id = ?", (hashed, person.id))

    def use_invitation(self, digest: str, hashed: str, at_ms: int) -> Person | None:
        """Set the password of whoever an invitation is for, which is used up by that; None where it is none."""
        with self._database.transaction() as tx:
            found = self._live(tx, digest, at_ms)
            if found is None or found.kind != "invitation":
                return None
            person = self.person(found.person)
            if person is None:
                return None
            self.set_password(person, hashed, at_ms, by=person.name)
        return person

    # --- credentials -------------------------------------------------------------------------------------------

    def issue(self, given: Credential, digest: str, at_ms: int, *, by: str = "") -> None:
        """Keep a credential by the digest of its secret. Those that have ended are forgotten by the way.

        An invitation takes the place of earlier ones of that person; `by` is whose deed it is, none for a session.
        """
        with self._database.transaction() as tx:
            tx.execute("DELETE FROM credential WHERE ends_at_ms <= ?", (at_ms,))
            if given.kind == "invitation":
                tx.execute("DELETE FROM credential WHERE kind = 'invitation' AND person = ?", (given.person_id,))
            tx.execute(
                "INSERT INTO credential (digest, kind, site, person, name, role, made_at_ms, ends_at_ms) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    digest, given.kind, self._site, given.person_id, given.name, given.role, given.made_at_ms,
                    given.ends_at_ms,
                ),
            )  # fmt: skip
            tx.execute(
                "DELETE FROM credential WHERE digest IN (SELECT digest FROM credential WHERE kind = 'session' AND "
                "person = ? ORDER BY coalesce(used_at_ms, made_at_ms) DESC, digest LIMIT ? OFFSET ?)",
                (given.person_id, sys.maxsize, MOST_SESSIONS),
            )
            if by:
                told = f"{given.name} made, for {given.role}" if given.name else f"made, for {given.person}"
                self._note(tx, at_ms, by, f"{given.kind} {told}")

    def credential(self, digest: str, at_ms: int) -> Credential | None:
        """Return what a secret's digest stands for; None where it is nothing, withdrawn or at its end."""
        with self._database.reading() as connection:
            return self._live(connection, digest, at_ms)

    def credentials(self, kind: Kind, at_ms: int) -> list[Credential]:
        """Return all of a kind that have not ended, by name."""
        with self._database.reading() as connection:
            rows = connection.execute(
                f"{_CREDENTIAL} WHERE c.kind = ? AND c.site = ? AND c.ends_at_ms > ? ORDER BY c.name, c.made_at_ms",
                (kind, self._site, at_ms),
            ).fetchall()
        return [_credential(row) for row in rows]

    def keep_alive(self, digest: str, at_ms: int, ends_at_ms: int) -> None:
        """Note that a credential was used, and until when it lasts."""
        with self._database.transaction() as tx:
            tx.execute(
                "UPDATE credential SET used_at_ms = ?, ends_at_ms = ? WHERE digest = ?", (at_ms, ends_at_ms, digest)
            )

    def end(self, digest: str) -> None:
        """End one credential by its digest; nothing where there is none."""
        with self._database.transaction() as tx:
            tx.execute("DELETE FROM credential WHERE digest = ?", (digest,))

    def revoke(self, kind: Kind, name: str, at_ms: int, *, by: str) -> bool:
        """Withdraw a token or link by its name; return whether there was one."""
        with self._database.transaction() as tx:
            found = tx.execute(
                "DELETE FROM credential WHERE kind = ? AND site = ? AND name = ? RETURNING digest",
                (kind, self._site, name),
            ).fetchall()
            if found:
                self._note(tx, at_ms, by, f"{kind} {name} revoked")
        return bool(found)

    def _live(self, connection: Connection, digest: str, at_ms: int) -> Credential | None:
        row = connection.execute(
            f"{_CREDENTIAL} WHERE c.digest = ? AND c.site = ? AND c.ends_at_ms > ?", (digest, self._site, at_ms)
        ).fetchone()
        return None if row is None else _credential(row)

    # --- audit -------------------------------------------------------------------------------------------------

    def note(self, at_ms: int, who: str, what: str) -> None:
        """Write a line of the audit log."""
        with self._database.transaction() as tx:
            self._note(tx, at_ms, who, what)

    def audit(self, limit: int) -> list[AuditLine]:
        """Return the last lines of the audit log, the newest first."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT at_ms, who, what FROM audit WHERE site = ? ORDER BY id DESC LIMIT ?", (self._site, limit)
            ).fetchall()
        return [AuditLine(*row) for row in rows]

    def _note(self, tx: Connection, at_ms: int, who: str, what: str) -> None:
        (number,) = tx.execute(
            "INSERT INTO audit (at_ms, site, who, what) VALUES (?, ?, ?, ?) RETURNING id",
            (at_ms, self._site, who, what),
        ).fetchone()
        tx.execute("DELETE FROM audit WHERE id <= ?", (number - MOST_AUDITED,))


def _person(row: Any) -> Person:
    number, name, role, has_password, added_at_ms = row
    return Person(number, name, role, bool(has_password), added_at_ms)


def _credential(row: Any) -> Credential:
    kind, name, person, role, made_at_ms, used_at_ms, ends_at_ms, number = row
    return Credential(kind, name, person, role, made_at_ms, used_at_ms or 0, ends_at_ms, number)
