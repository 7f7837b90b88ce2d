"""Facts that stand for themselves: versions in force, audits, pictures that were removed."""

from sqlalchemy import Connection

from elinspect.store.events import StoredEvent
from elinspect.store.schema import audit_results, removed_pictures, versions


def on_version_change(connection: Connection, event: StoredEvent) -> None:
    """Keep a recipe, criteria or model under its label."""
    connection.execute(
        versions.insert().values(
            what=event.data["what"],
            label=event.data["label"],
            sha256=event.data["sha256"],
            layout=event.data["layout"],
            event_id=event.id,
        )
    )


def on_audit_result(connection: Connection, event: StoredEvent) -> None:
    """Keep what an auditor would have decided."""
    connection.execute(
        audit_results.insert().values(
            event_id=event.id,
            inspection=event.data["inspection"],
            serial=event.data["serial"],
            disposition=event.data["disposition"],
            agrees=event.data["agrees"],
            note=event.data["note"],
            person=event.person,
            at=event.at,
        )
    )


def on_pictures_removed(connection: Connection, event: StoredEvent) -> None:
    """Keep which inspections no longer have their pictures; no path where another one still needs the file."""
    rows = [
        {
            "inspection": inspection,
            "path": paths if isinstance(paths, str) else "".join(paths[:1]),
            "removed_at": event.at,
        }
        for inspection, paths in event.data["pictures"].items()
    ]
    connection.execute(removed_pictures.insert(), rows)
