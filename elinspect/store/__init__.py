"""The log: append-only events in one hash chain per station, projections for reading, SQLite or PostgreSQL.

The only room that imports SQLAlchemy. Events are never migrated, edited or removed; everything else in the database
(except the people's names) can be rebuilt from them.
"""

from elinspect.store.log import Log, open_log

__all__ = ["Log", "open_log"]
