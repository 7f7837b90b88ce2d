"""The models of a station: every version kept with its network, one of them in force, and the way back."""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import platformdirs
from pydantic import TypeAdapter

from elinspect.catalogue import Message
from elinspect.classifier import Model, ModelCard, load_model, read_card, shipped_model
from elinspect.classifier.model_file import checked_network
from elinspect.errors import ModelFileError, told_as
from elinspect.records import NoModel

NONE = "none"
"""What a person writes to switch the classifier off."""
SHIPPED = "shipped"
"""What a person writes to go back to the model that came with the program."""
_IN_FORCE = "in_force.json"


@dataclass(frozen=True, slots=True)
class InstalledModel:
    """One model of a station.

    Attributes
    ----------
    file : str
        Name of its card.
    label : str
        As the log keeps it; empty where the card cannot be read.
    in_force : bool
        Whether inspections use it.
    problem : str
        What is wrong with card or network, so that it cannot be used; empty where nothing is.
    """

    file: str
    label: str
    in_force: bool
    problem: str = ""


def site_folder() -> Path:
    """Return where this user's models lie."""
    return platformdirs.user_data_path("elinspect", appauthor=False) / "models"


def open_model(choice: str | None, folder: Path | None = None) -> Model | NoModel:
    """Load the classifier a person chose.

    Parameters
    ----------
    choice : str or None
        Path of a model card, ``none``, ``shipped``, or nothing: the station's model in force. Where that one cannot be
        used the inspection goes on without a classifier and says why: another one is never taken silently.
    folder : Path, optional
        The station's models; this user's if not given.

    Raises
    ------
    ModelFileError
        If a model was named and cannot be used.
    """
    if choice == NONE:
        return NoModel(Message("model.switched_off"))
    if choice is not None:
        return load_model(shipped_model() if choice == SHIPPED else Path(choice))
    try:
        return load_model(card_in_force(folder or site_folder()))
    except ModelFileError as error:
        return NoModel(error.message)


def card_in_force(folder: Path) -> Path:
    """Return the card of the station's model in force; the shipped one while none was installed.

    Raises
    ------
    ModelFileError
        If the note of which one is in force cannot be read.
    """
    note = folder / _IN_FORCE
    if not note.exists():
        return shipped_model()
    with told_as("model.unreadable", ModelFileError, file=str(note)):
        text = note.read_text(encoding="utf-8")
    try:
        name = str(json.loads(text)["card"])
    except (ValueError, KeyError, TypeError) as error:
        raise ModelFileError("model.in_force_damaged", file=str(note)) from error
    return shipped_model() if name == SHIPPED else folder / Path(name).name


def install(folder: Path, card: ModelCard, network: Path) -> Path:
    """Keep a new version beside all earlier ones and put it in force.

    Parameters
    ----------
    folder : Path
        The station's models.
    card : ModelCard
        The new version.
    network : Path
        Its network file.

    Returns
    -------
    Path
        The card.

    Raises
    ------
    ModelFileError
        If it cannot be written, or a model of this name and version is there already.
    """
    path = folder / f"{card.name}-{card.version}.json"
    with told_as("model.not_installed", ModelFileError, file=str(path)):
        folder.mkdir(parents=True, exist_ok=True)
        if path.exists():
            raise ModelFileError("model.version_taken", file=str(path))
        if not (folder / card.network).exists():
            shutil.copyfile(network, folder / card.network)
        path.write_bytes(TypeAdapter(ModelCard).dump_json(card, indent=1))
    load_model(path)
    put_in_force(folder, path.name)
    return path


def put_in_force(folder: Path, card: str) -> None:
    """Use an installed model from now on, or ``shipped``; this is also the way back.

    Raises
    ------
    ModelFileError
        If there is no such model, or it cannot be used.
    """
    load_model(shipped_model() if card == SHIPPED else folder / Path(card).name)
    note = folder / _IN_FORCE
    with told_as("model.not_installed", ModelFileError, file=str(note)):
        folder.mkdir(parents=True, exist_ok=True)
        fresh = note.with_suffix(".new")
        fresh.write_text(json.dumps({"card": card}) + "\n", encoding="utf-8")
        fresh.replace(note)


def installed(folder: Path) -> tuple[InstalledModel, ...]:
    """Return the shipped model and every installed one, also the one in force where its card is gone."""
    in_force = card_in_force(folder)
    found = {path for path in folder.glob("*.json") if path.name != _IN_FORCE}
    paths = [shipped_model(), *sorted(found | {in_force} - {shipped_model()})]
    return tuple(_described(path, SHIPPED if i == 0 else path.name, path == in_force) for i, path in enumerate(paths))


def _described(path: Path, name: str, in_force: bool) -> InstalledModel:
    label = ""
    try:
        card = read_card(path)
        label = card.label
        checked_network(path, card)
    except ModelFileError as error:
        return InstalledModel(name, label, in_force, str(error))
    return InstalledModel(name, label, in_force)
