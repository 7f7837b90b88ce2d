"""Who is signed in where."""

from sqlalchemy import Connection, text

from elinspect.store.events import StoredEvent

_SIGN_IN = text(
    "INSERT INTO sign_ins (person, station, role, at) VALUES (:person, :station, :role, :at) "
    "ON CONFLICT (person, station) DO UPDATE SET role = excluded.role, at = excluded.at"
)


def on_sign_in(connection: Connection, event: StoredEvent) -> None:
    """Keep the role with which a person last signed in at a station."""
    connection.execute(
        _SIGN_IN, {"person": event.person, "station": event.station, "role": event.data["role"], "at": event.at}
    )
