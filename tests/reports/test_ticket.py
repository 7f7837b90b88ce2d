"""Tickets as the bench gets them: one page, the code can be read, the words are there, nothing is left out silently."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from pypdf import PdfReader
from results import SHA, cells, flag, result

from elinspect.catalogue import Message
from elinspect.criteria import default_criteria
from elinspect.recipe import Bench, ProductRecipe
from elinspect.records import Disposition, ImageFacts, Kind, Proposal, Versions, ViewSide
from elinspect.reports.sheet import text_width, wrapped
from elinspect.reports.ticket import Paper, Ticket, draw_ticket
from elinspect.synthetic.products import product_recipe
from elinspect.triage import plan_rework, with_limits
from elinspect.vision import cv2

FULL, HALF = product_recipe("mono_6x10"), product_recipe("half_cut_2x6x12")
REAR = replace(FULL, bench=Bench(ViewSide.REAR))


def _ticket(
    recipe: ProductRecipe, *places: tuple[int, int], serial: str | None = "00042-é", picture: bool = True
) -> Ticket:
    message = Message("flag.crack", {"kind": "crack", "address": "x", "mode": "B"})
    made = []
    for number, (string, position) in enumerate(places):
        x, y = position * 100.0, string * 100.0
        made.append(
            flag(
                f"m{number}",
                Kind.CRACK,
                string=string,
                position=position,
                message=message,
                outline_px=((x + 10, y + 10), (x + 60, y + 80)),
                box_px=(x + 10, y + 10, 50.0, 70.0),
                limit=None,
            )
        )
    flags = with_limits(made, default_criteria(), None)
    proposal = Proposal(Disposition.REWORK, (Message("proposal.no_flags"),))
    plan = plan_rework(flags, proposal, recipe, default_criteria(), 1)
    assert plan is not None
    shown = result(
        *flags,
        serial=serial,
        layout=str(recipe.layout),
        cells=cells(recipe.layout),
        image=ImageFacts("panel.png", SHA, 2600, 1500, 12),
        versions=Versions("0.1.0", recipe.label, default_criteria().label),
    )
    counts = np.random.default_rng(0).uniform(100, 200, (1500, 2600)).astype(np.float32) if picture else None
    return Ticket(shown, recipe, plan, flags, counts, "Rework decided by A. Wren at 06:14", "abc123")


def _words(path: Path) -> str:
    (page,) = PdfReader(path).pages
    return " ".join(page.extract_text().split())


@pytest.mark.parametrize(
    ("recipe", "paper", "size"),
    [
        (FULL, Paper.A4, (210.0, 297.0)),
        (REAR, Paper.LETTER, (215.9, 279.4)),
        (HALF, Paper.A4, (210.0, 297.0)),
        (HALF, Paper.LABEL, (62.0, None)),
    ],
    ids=["full", "rear", "half", "half-label"],
)
def test_one_page_with_code_and_words(
    tmp_path: Path, recipe: ProductRecipe, paper: Paper, size: tuple[float, float | None]
) -> None:
    ticket = _ticket(recipe, (2, 3), (4, 4))
    pdf, png = draw_ticket(ticket, paper).write(tmp_path, "ticket")
    read = zxingcpp.read_barcodes(cv2.imread(str(png), cv2.IMREAD_GRAYSCALE))
    assert [(code.text, code.format) for code in read] == [("00042-é", zxingcpp.BarcodeFormat.DataMatrix)]
    text = _words(pdf)
    assert "00042-é" in text
    for number, step in enumerate(ticket.plan.steps, start=1):
        assert f"{number}. {step.text.text}" in text
    assert "live DC" in text
    assert ("left and right change places" in text) == (recipe is not FULL)
    assert ("not mirrored" in text) == (recipe is FULL)
    box = PdfReader(pdf).pages[0].mediabox
    for points, millimetres in zip((box.width, box.height), size, strict=True):
        assert millimetres is None or float(points) * 25.4 / 72 == pytest.approx(millimetres, abs=0.3)


def test_a_hopeless_panel_still_fits_one_page_and_says_what_is_left_out(tmp_path: Path) -> None:
    bad = [(string, position) for string in range(1, 7) for position in (1, 9)]
    pdf, _ = draw_ticket(_ticket(FULL, *bad), Paper.A4).write(tmp_path, "many")
    text = _words(pdf)
    assert all(f"{number}. Replace cell" in text for number in range(1, 13))
    assert "4 more places are marked in the map only." in text


def test_without_serial_or_picture(tmp_path: Path) -> None:
    pdf, png = draw_ticket(_ticket(FULL, (1, 1), serial=None, picture=False), Paper.A4).write(tmp_path, "bare")
    text = _words(pdf)
    assert "unknown" in text
    assert "The picture is not there any more." in text
    assert not zxingcpp.read_barcodes(cv2.imread(str(png), cv2.IMREAD_GRAYSCALE))


def test_leads_that_are_not_stated_are_said_to_be(tmp_path: Path) -> None:
    stated, not_stated = (draw_ticket(_ticket(recipe, (1, 1)), Paper.A4) for recipe in (FULL, REAR))
    texts = [_words(sheet.write(tmp_path, f"t{n}")[0]) for n, sheet in enumerate((stated, not_stated))]
    assert ["are not stated in the recipe" in text for text in texts] == [False, True]
    assert "label" in texts[0]


@pytest.mark.parametrize("paper", [Paper.A4, Paper.LABEL])
def test_what_was_not_judged_is_named(tmp_path: Path, paper: Paper) -> None:
    plain = _ticket(HALF, (2, 3))
    notes = (
        Message("quality.kinds_not_seen", {"kinds": "solder_fault,bussing_joint_fault"}),
        Message("quality.unjudged.soft", {"cells": "4-1, 4-2"}),
    )
    quality = replace(plain.result.quality, notes=(*plain.result.quality.notes, *notes))
    unseen = replace(plain, result=replace(plain.result, quality=quality))
    texts = [_words(draw_ticket(ticket, paper).write(tmp_path, f"t{n}")[0]) for n, ticket in enumerate((plain, unseen))]
    assert "Not judged" not in texts[0]
    for note in notes:
        assert note.text in texts[1]


def test_lines_are_broken_to_their_width() -> None:
    lines = wrapped("one two three " * 6 + "x" * 200, 40, 9)
    assert all(text_width(line, 9) <= 40.01 for line in lines)
    assert "".join(lines).replace(" ", "") == "onetwothree" * 6 + "x" * 200
