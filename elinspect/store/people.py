"""Who works with the log. Names and PINs live here, outside the hash chain, and can be erased."""

import secrets

from sqlalchemy import Connection, select

from elinspect.review.gate import Role
from elinspect.store.schema import people


def person_named(connection: Connection, name: str, role: Role) -> str:
    """Return the id of a person, making one at the first sign-in.

    Parameters
    ----------
    name : str
        As the person gives it.
    role : Role
        Kept for a new person.

    Returns
    -------
    str
        A random id; the events hold only this.
    """
    found = connection.execute(select(people.c.id).where(people.c.name == name)).scalar_one_or_none()
    if found is not None:
        return str(found)
    new = secrets.token_hex(8)
    connection.execute(people.insert().values(id=new, name=name, role=role.value))
    return new


def name_of(connection: Connection, person: str | None) -> str | None:
    """Return a person's name; None if it was erased or never known."""
    found = connection.execute(select(people.c.name).where(people.c.id == person)).scalar_one_or_none()
    return str(found) if found is not None else None
