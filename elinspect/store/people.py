"""Who works with the log. Names and PINs live here, outside the hash chain, and can be erased."""

import secrets

from sqlalchemy import Connection, select

from elinspect.review.gate import Role
from elinspect.store.rows import insert_rows, row_by
from elinspect.store.schema import people


def person_named(connection: Connection, name: str, role: Role | None = None) -> str:
    """Return the id of a person, making one where the name is new.

    Parameters
    ----------
    name : str
        As the person gives it, or as a table names an operator.
    role : Role, optional
        Kept for a new person.

    Returns
    -------
    str
        A random id; the events hold only this.
    """
    found = row_by(connection, people, name=name)
    if found is not None:
        return str(found.id)
    new = secrets.token_hex(8)
    insert_rows(connection, people, [{"id": new, "name": name, "role": role.value if role is not None else None}])
    return new


def name_of(connection: Connection, person: str | None) -> str | None:
    """Return a person's name; None if it was erased or never known."""
    found = row_by(connection, people, id=person)
    return str(found.name) if found is not None and found.name is not None else None


def pins_in_use(connection: Connection) -> bool:
    """Whether somebody has a PIN, so that nobody signs in without one."""
    return connection.execute(select(people.c.id).where(people.c.pin_hash.is_not(None)).limit(1)).first() is not None


def registered_role(connection: Connection, person: str | None) -> Role | None:
    """Return the role a person has where PINs are in use; None for somebody unknown or erased."""
    found = row_by(connection, people, id=person)
    return Role(found.role) if found is not None and found.pin_hash is not None else None
