"""Who may do what: names, roles and PINs, outside the hash chain and erasable.

As long as nobody has a PIN, names and roles are taken on trust. The first PIN is an administrator's; from then on
everybody signs in with their own, and only an administrator gives PINs and roles.
"""

from dataclasses import dataclass

from sqlalchemy import Connection, select, update

from elinspect.errors import LogError
from elinspect.review.gate import Role
from elinspect.store.events import EventKind, NewEvent, now
from elinspect.store.log import Log
from elinspect.store.people import person_named, pins_in_use
from elinspect.store.schema import people

SHORTEST_PIN = 4
"""Common practice, no source; argon2 makes guessing slow, not impossible."""
SHORTEST_BADGE = 8
"""A badge alone says who it is, so that a PIN somebody mistyped must never pass for one."""


@dataclass(frozen=True, slots=True)
class Administrator:
    """Who gives PINs and erases names."""

    name: str
    pin: str


@dataclass(frozen=True, slots=True)
class KnownPerson:
    """A person the log has a name for; `role` is None for an operator that only a table named."""

    name: str
    role: Role | None
    has_pin: bool
    has_badge: bool


def sign_in(log: Log, station: str, name: str, role: Role, pin: str = "") -> str:
    """Sign a person in at a station.

    Returns
    -------
    str
        Id of the person, under which all they do is logged.

    Raises
    ------
    LogError
        If the PIN is wrong, or the person has another role.
    """
    if not name.strip():
        raise LogError("people.no_name")
    with log.reading() as connection:  # argon2 takes its time: nobody who wants to write waits for it
        if pins_in_use(connection):
            _check_pin(connection, name, pin)
    with log.writing() as connection:
        person = person_named(connection, name, role)
    log.append([NewEvent(EventKind.SIGN_IN, f"person:{person}", {"role": role.value}, person)], station)
    return person


def sign_in_here(log: Log, station: str, name: str, secret: str) -> tuple[str, str, Role]:
    """Sign a person in at the window by name and PIN, or by badge alone, in the role the administrator gave.

    Parameters
    ----------
    name : str
        May be empty for a badge.
    secret : str
        PIN, or what the badge reader typed.

    Returns
    -------
    person, name, role
        Id, name and role.

    Raises
    ------
    LogError
        If they do not belong together, or nobody has this badge.
    """
    name = name.strip()
    with log.reading() as connection:
        guarded = pins_in_use(connection)
        known = connection.execute(select(people.c.role).where(people.c.name == name)).scalar_one_or_none()
    role = Role(known) if known is not None else Role.INSPECTOR
    if name and (known is not None or not guarded):
        try:
            return sign_in(log, station, name, role, secret), name, role
        except LogError as error:
            if error.message.code != "people.wrong_pin" or len(secret) < SHORTEST_BADGE:
                raise
    elif name and len(secret) < SHORTEST_BADGE:
        raise LogError("people.wrong_pin")
    return _sign_in_by_badge(log, station, secret)


def _sign_in_by_badge(log: Log, station: str, badge: str) -> tuple[str, str, Role]:
    with log.reading() as connection:
        name = _name_of_badge(connection, badge)
        found = connection.execute(select(people.c.id, people.c.role).where(people.c.name == name)).one()
    role = Role(found.role)
    log.append([NewEvent(EventKind.SIGN_IN, f"person:{found.id}", {"role": role.value}, found.id)], station)
    return str(found.id), name, role


def _name_of_badge(connection: Connection, badge: str) -> str:
    from argon2 import PasswordHasher
    from argon2.exceptions import Argon2Error, InvalidHashError

    if len(badge) >= SHORTEST_BADGE:
        for row in connection.execute(
            select(people.c.name, people.c.badge_hash).where(people.c.badge_hash.is_not(None))
        ):
            try:
                PasswordHasher().verify(row.badge_hash, badge)
            except (Argon2Error, InvalidHashError):
                continue
            return str(row.name)
    raise LogError("people.unknown_badge")


def give_badge(log: Log, name: str, badge: str, by: Administrator | None = None) -> None:
    """Give a person who has a PIN a badge, which signs in without name and PIN.

    Raises
    ------
    LogError
        If `by` is missing or no administrator, nobody with a PIN has this name, the code is too short, or the badge is
        another person's.
    """
    from argon2 import PasswordHasher

    if len(badge) < SHORTEST_BADGE:
        raise LogError("people.short_badge", least=SHORTEST_BADGE)
    hashed = PasswordHasher().hash(badge)
    _check_administrator(log, by)
    with log.reading() as connection:
        try:
            owner = _name_of_badge(connection, badge)
        except LogError:
            owner = name
    if owner != name:
        raise LogError("people.badge_taken", name=owner)
    with log.writing() as connection:
        known = (people.c.name == name, people.c.pin_hash.is_not(None))
        if connection.execute(update(people).where(*known).values(badge_hash=hashed)).rowcount != 1:
            raise LogError("people.unknown", name=name)


def give_pin(log: Log, name: str, role: Role, pin: str, by: Administrator | None = None) -> None:
    """Give a person a role and a PIN.

    Parameters
    ----------
    by : Administrator, optional
        Needed once somebody has a PIN; the first one is an administrator's.

    Raises
    ------
    LogError
        If `by` is missing or no administrator, the PIN is too short, or no administrator would be left.
    """
    from argon2 import PasswordHasher

    if len(pin) < SHORTEST_PIN:
        raise LogError("people.short_pin", least=SHORTEST_PIN)
    if not name.strip():
        raise LogError("people.no_name")
    hashed = PasswordHasher().hash(pin)
    guarded = _check_administrator(log, by)
    with log.writing() as connection:
        if pins_in_use(connection) != guarded:  # somebody was faster with the first PIN
            raise LogError("people.administrator")
        if not guarded and role is not Role.ADMINISTRATOR:
            raise LogError("people.first_pin")
        if role is not Role.ADMINISTRATOR:
            _keep_an_administrator(connection, name)
        person = person_named(connection, name, role)
        connection.execute(update(people).where(people.c.id == person).values(role=role.value, pin_hash=hashed))


def erase_name(log: Log, name: str, by: Administrator | None = None) -> None:
    """Erase a person's name and PIN; what they did stays, under an id that no longer leads to anybody.

    Raises
    ------
    LogError
        If nobody has this name, or `by` is missing or no administrator.
    """
    _check_administrator(log, by)
    with log.writing() as connection:
        _keep_an_administrator(connection, name)
        erased = {"name": None, "pin_hash": None, "badge_hash": None, "erased_at": now()}
        if connection.execute(update(people).where(people.c.name == name).values(erased)).rowcount != 1:
            raise LogError("people.unknown", name=name)


def _keep_an_administrator(connection: Connection, name: str) -> None:
    """Refuse to leave people with PINs and nobody to give new ones, or a log that trusts everybody again."""
    with_pins = connection.execute(select(people).where(people.c.pin_hash.is_not(None))).all()
    administrators = [row.name for row in with_pins if row.role == Role.ADMINISTRATOR]
    if administrators == [name]:
        raise LogError("people.last_administrator", name=name)


def _check_administrator(log: Log, by: Administrator | None) -> bool:
    """Check who wants to change people; return whether PINs are in use, so that it mattered."""
    with log.reading() as connection:
        if not pins_in_use(connection):
            return False
        if by is None:
            raise LogError("people.administrator")
        _check_pin(connection, by.name, by.pin)
        role = connection.execute(select(people.c.role).where(people.c.name == by.name)).scalar_one()
    if role != Role.ADMINISTRATOR:
        raise LogError("people.administrator")
    return True


def known_people(log: Log) -> tuple[KnownPerson, ...]:
    """Return everybody the log has a name for, by name."""
    named = select(people).where(people.c.name.is_not(None)).order_by(people.c.name)
    with log.reading() as connection:
        return tuple(
            KnownPerson(
                row.name,
                Role(row.role) if row.role is not None else None,
                row.pin_hash is not None,
                row.badge_hash is not None,
            )
            for row in connection.execute(named)
        )


def _check_pin(connection: Connection, name: str, pin: str) -> None:
    from argon2 import PasswordHasher
    from argon2.exceptions import Argon2Error, InvalidHashError

    hashed = connection.execute(select(people.c.pin_hash).where(people.c.name == name)).scalar_one_or_none()
    try:
        if hashed is None:
            raise LogError("people.wrong_pin")
        PasswordHasher().verify(hashed, pin)
    except (Argon2Error, InvalidHashError):
        raise LogError("people.wrong_pin") from None
