"""The result file: schema, round trip, null where nothing is known."""

import json
from dataclasses import asdict, replace
from pathlib import Path

import jsonschema
import pytest
from results import flag, result

from elinspect.catalogue import Message
from elinspect.records import (
    AddressScheme,
    Corner,
    Disposition,
    ExposureFile,
    ExposureRole,
    ImageFacts,
    ImageQuality,
    Kind,
    Layout,
    Numbering,
    PanelFacts,
    PanelResult,
    Proposal,
    Unjudged,
)
from elinspect.result_file import as_dict, from_dict, read_result, schema, write_result

HELD = result(
    serial=None,
    image=ImageFacts("broken.png", None),
    quality=ImageQuality(False),
    panel=PanelFacts(False, Message("proposal.no_flags"), Layout.parse("6x10")),
    cells=(),
    proposal=Proposal(Disposition.HOLD, (Message("proposal.not_usable"),)),
)
EXAMPLES = [
    result(),
    result(flag(), flag("m2", Kind.FINGER_INTERRUPTION, None, parent="m1", mode=None)),
    result(
        flag("m1", Kind.DARK_STRING, None, position=None),
        flag("m2", Kind.OPEN_CIRCUIT, None, string=None, position=None),
    ),
    HELD,
    result(
        cells=tuple(
            replace(cell, judged=False, unjudged=why) for cell, why in zip(result().cells, Unjudged, strict=False)
        )
    ),
    result(
        image=ImageFacts(
            "p1.tif",
            "0" * 64,
            tiles=("p2.tif",),
            companions=("dark.tif",),
            files=(
                ExposureFile("p1.tif", "0" * 64, ExposureRole.FULL_CURRENT),
                ExposureFile("p2.tif", "1" * 64, ExposureRole.FULL_CURRENT),
                ExposureFile("dark.tif", "2" * 64, ExposureRole.DARK),
            ),
        )
    ),
    result(
        panel=replace(
            result().panel,
            addresses=AddressScheme(Corner.TOP_RIGHT, Numbering.LETTERS, string_first=False, separator="/"),
        )
    ),
]


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_file_keeps_everything(tmp_path: Path, example: PanelResult) -> None:
    write_result(tmp_path / "panel.json", example)
    assert asdict(read_result(tmp_path / "panel.json")) == asdict(example)
    assert [path.name for path in tmp_path.iterdir()] == ["panel.json"]


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_file_follows_its_schema(example: PanelResult) -> None:
    validator = jsonschema.Draft202012Validator(schema())
    validator.check_schema(schema())
    validator.validate(json.loads(json.dumps(as_dict(example), allow_nan=False)))


@pytest.mark.parametrize(
    ("path", "wrong"),
    [
        (("stage",), "lamination"),
        (("proposal", "disposition"), "scrap"),
        (("proposal", "reasons"), []),
        (("cells", 0, "position"), 0),
        (("cells", 0, "kind_scores"), {"krack": 0.5}),
        (("flags", 0, "score"), 1.5),
        (("image", "sha256"), "00"),
        (("panel", "layout"), "six by ten"),
    ],
)
def test_the_schema_refuses_what_is_wrong(path: tuple[str | int, ...], wrong: object) -> None:
    data = json.loads(json.dumps(as_dict(result(flag()))))
    place = data
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = wrong
    assert not jsonschema.Draft202012Validator(schema()).is_valid(data)


@pytest.mark.parametrize("name", ["schema", "serial", "image", "quality", "panel", "cells", "flags", "proposal"])
def test_no_field_may_be_missing(name: str) -> None:
    data = as_dict(result(flag()))
    del data[name]
    assert not jsonschema.Draft202012Validator(schema()).is_valid(data)


def test_blocks_are_written_from_the_string_number() -> None:
    data = as_dict(result(flag(string=3), layout="2x2x3"))
    assert [cell["block"] for cell in data["cells"]] == [1] * 6 + [2] * 6
    assert data["flags"][0]["block"] == 2


def test_a_file_from_before_the_exposures_were_hashed_one_by_one_can_be_read() -> None:
    data = as_dict(HELD)
    del data["image"]["files"]
    for cell in data["cells"]:
        del cell["unjudged"]
    assert jsonschema.Draft202012Validator(schema()).is_valid(data)
    assert from_dict(data).image.files == ()


def test_another_schema_is_refused() -> None:
    with pytest.raises(ValueError, match="panel-result/2"):
        from_dict({**as_dict(HELD), "schema": "elinspect.panel-result/2"})


def test_not_a_number_never_gets_into_a_file(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_result(tmp_path / "panel.json", result(flag(measurements={"contrast": float("nan")})))
    assert not (tmp_path / "panel.json").exists()
