"""Recipes, criteria and models in force, kept with their whole content, so that a decision can be replayed."""

import hashlib
import json

from pydantic import TypeAdapter
from sqlalchemy import select

from elinspect.classifier import Model, ModelCard
from elinspect.errors import LogError
from elinspect.recipe import AcceptanceCriteria, ProductRecipe
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.results import event_at
from elinspect.store.schema import versions


def log_recipe(log: Log, recipe: ProductRecipe, station: str) -> None:
    """Log a recipe the first time it is used.

    Raises
    ------
    LogError
        If another content was logged under the same name and version.
    """
    content = TypeAdapter(ProductRecipe).dump_json(recipe).decode("utf-8")
    _log_version(log, "recipe", recipe.label, content, station, layout=str(recipe.layout))


def log_criteria(log: Log, criteria: AcceptanceCriteria, station: str) -> None:
    """Log acceptance criteria the first time they are used; raises as `log_recipe`."""
    content = TypeAdapter(AcceptanceCriteria).dump_json(criteria).decode("utf-8")
    _log_version(log, "criteria", criteria.label, content, station)


def logged_recipe(log: Log, label: str) -> ProductRecipe | None:
    """Return a recipe as it was logged under its name and version; None if it never was."""
    content = _logged_content(log, "recipe", label)
    return TypeAdapter(ProductRecipe).validate_json(content) if content is not None else None


def logged_criteria(log: Log, label: str) -> AcceptanceCriteria | None:
    """Return acceptance criteria as they were logged under their name and version; None if they never were."""
    content = _logged_content(log, "criteria", label)
    return TypeAdapter(AcceptanceCriteria).validate_json(content) if content is not None else None


def _logged_content(log: Log, what: str, label: str) -> str | None:
    with log.reading() as connection:
        record = connection.execute(
            select(versions.c.event_id).where(versions.c.what == what, versions.c.label == label)
        ).scalar_one_or_none()
        return str(event_at(connection, record).data["content"]) if record is not None else None


def log_model(log: Log, model: Model, station: str) -> None:
    """Log a model by its card, which names the network's hash, the first time it is used; raises as `log_recipe`."""
    _log_version(log, "model", model.card.label, TypeAdapter(ModelCard).dump_json(model.card).decode("utf-8"), station)


def labels_of_network(log: Log, sha256: str) -> tuple[str, ...]:
    """Return the labels of all logged models that run the network with this hash."""
    with log.reading() as connection:
        rows = connection.execute(select(versions.c.label, versions.c.event_id).where(versions.c.what == "model")).all()
        cards = {row.label: json.loads(event_at(connection, row.event_id).data["content"]) for row in rows}
    return tuple(sorted(label for label, card in cards.items() if card["sha256"] == sha256))


def _log_version(log: Log, what: str, label: str, content: str, station: str, layout: str | None = None) -> None:
    sha256 = hashlib.sha256(content.encode("utf-8")).hexdigest()
    data = {"what": what, "label": label, "sha256": sha256, "layout": layout, "content": content}
    with log.reading() as connection:
        known = connection.execute(
            select(versions.c.sha256).where(versions.c.what == what, versions.c.label == label)
        ).scalar_one_or_none()
    if known is None:
        log.append([NewEvent(EventKind.VERSION_CHANGE, f"version:{what}", data)], station)
    elif known != sha256:
        raise LogError("log.version_changed", what=what, label=label)
