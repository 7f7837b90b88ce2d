"""Models of a station: installed beside each other, one in force, always a way back."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from elinspect.classifier import Model, read_card, shipped_model
from elinspect.errors import ModelFileError
from elinspect.operations.site_models import install, installed, open_model, put_in_force
from elinspect.records import Kind, NoModel

SHIPPED = read_card(shipped_model())
NETWORK = shipped_model().with_name(SHIPPED.network)


def labels(folder: Path) -> dict[str, bool]:
    return {each.file: each.in_force for each in installed(folder)}


def test_the_shipped_model_is_in_force_until_another_is_installed(tmp_path: Path) -> None:
    assert labels(tmp_path) == {"shipped": True}
    card = install(tmp_path, replace(SHIPPED, version="1+site.1", doubtful_below={Kind.CRACK: 0.2}), NETWORK)
    assert labels(tmp_path) == {"shipped": False, card.name: True}
    opened = open_model(None, tmp_path)
    assert isinstance(opened, Model)
    assert opened.card.doubtful_below == {Kind.CRACK: 0.2}
    put_in_force(tmp_path, "shipped")
    assert labels(tmp_path) == {"shipped": True, card.name: False}


def test_a_version_is_never_replaced(tmp_path: Path) -> None:
    card = replace(SHIPPED, version="1+site.1")
    install(tmp_path, card, NETWORK)
    with pytest.raises(ModelFileError, match="a version is never replaced"):
        install(tmp_path, replace(card, doubtful_below={Kind.CRACK: 0.9}), NETWORK)


def test_a_damaged_model_is_said_and_no_other_taken_silently(tmp_path: Path) -> None:
    card = install(tmp_path, replace(SHIPPED, version="1+site.1"), NETWORK)
    (tmp_path / SHIPPED.network).write_bytes(b"damaged")
    opened = open_model(None, tmp_path)
    assert isinstance(opened, NoModel)
    assert "changed or damaged" in opened.reason.text
    (damaged,) = [each for each in installed(tmp_path) if each.problem]
    assert damaged.in_force
    assert damaged.label  # the card itself is whole
    assert "changed or damaged" in damaged.problem
    card.write_text("{")
    (damaged,) = [each for each in installed(tmp_path) if each.problem]
    assert damaged.in_force
    card.unlink()
    (gone,) = [each for each in installed(tmp_path) if each.problem]
    assert (gone.file, gone.in_force) == (card.name, True)
    assert "cannot be read" in gone.problem
    (tmp_path / "in_force.json").write_text("?")
    opened = open_model(None, tmp_path)
    assert isinstance(opened, NoModel)
    assert "does not say which model is in force" in opened.reason.text


def test_choices_of_a_person(tmp_path: Path) -> None:
    none = open_model("none", tmp_path)
    assert isinstance(none, NoModel)
    assert none.reason.text == "The classifier is switched off."
    assert isinstance(open_model("shipped", tmp_path), Model)
    with pytest.raises(ModelFileError, match="cannot be read"):
        open_model(str(tmp_path / "missing.json"), tmp_path)
    with pytest.raises(ModelFileError, match="cannot be read"):
        put_in_force(tmp_path, "missing.json")


def test_a_model_from_elsewhere_needs_its_network_beside_it(tmp_path: Path) -> None:
    alone = tmp_path / "card.json"
    shutil.copy(shipped_model(), alone)
    with pytest.raises(ModelFileError, match=json.loads(alone.read_text())["network"]):
        open_model(str(alone))
