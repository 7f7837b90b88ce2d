"""Texts about finding the panel and its cells."""

from itertools import combinations

_SIDES = ("left", "top", "right", "bottom")


def _cut_texts() -> dict[str, str | tuple[str, str]]:
    texts: dict[str, str | tuple[str, str]] = {}
    for count in range(1, len(_SIDES) + 1):
        for sides in combinations(_SIDES, count):
            named = sides[0] if count == 1 else f"{', '.join(sides[:-1])} and {sides[-1]}"
            texts[f"geometry.cut.{'_'.join(sides)}"] = (
                f"The panel reaches beyond the {named} of the picture. Move the panel or the camera so that all of it "
                "shows, and take the picture again."
            )
    return texts


TEXTS: dict[str, str | tuple[str, str]] = {
    "geometry.too_small": (
        "The picture is only {width_px} x {height_px} pixels: too small to show a cell. Check the camera's file."
    ),
    "geometry.uniform": (
        "The picture is evenly bright and shows no panel. Check that the panel was powered, that the lens cap is off "
        "and that the exposure is not far too long, and take it again."
    ),
    "geometry.only_noise": (
        "The picture shows nothing but noise, no light from a panel. Check that the probes touch and the current "
        "flows, and take it again."
    ),
    "geometry.no_panel": (
        "No four-sided field of light was found in the picture. Check that it shows a whole panel. If it does, no "
        "current flows: check the probes first, then the joints, for one open joint darkens every cell in series with "
        "it. An energised panel is live DC: switch the supply off before touching them."
    ),
    "geometry.no_grid": (
        "No regular grid of cells was found where layout {layout} should be. Check that the picture shows a panel "
        "under current and that it is sharp."
    ),
    "geometry.other_layout": (
        "The picture does not show layout {layout}: it looks like {seen}. Check that recipe and panel belong together."
    ),
    "geometry.one_block": (
        "The picture shows {seen}, one block of layout {layout}. Either recipe and panel do not belong together, or no "
        "current runs through the other block: check the probes and the joints at its ends. An energised panel is live "
        "DC: switch the supply off before touching them."
    ),
    "geometry.fewer_strings": (
        "The picture shows {seen} where layout {layout} should be. Either recipe and panel do not belong together, "
        "or a string at the edge gives no light at all and cannot be placed: check its contacts and take the picture "
        "again."
    ),
    "geometry.dark_strings_placed": (
        "String {strings} at the edge of the panel gives no light. Only the panel's place in the middle of the picture "
        "told that it lies on this side: compare with the panel before anything is marked or repaired.",
        "Strings {strings} at the edge of the panel give no light. Only the panel's place in the middle of the picture "
        "told that they lie on this side: compare with the panel before anything is marked or repaired.",
    ),
    "geometry.dark_column_placed": (
        "The outermost cells of all strings give no light at one end of the panel. Only the panel's place in the "
        "middle of the picture told at which end: compare with the panel before anything is marked or repaired."
    ),
    "geometry.turned": (
        "The picture shows layout {layout}, but a quarter turn away from what the recipe says about the camera. "
        "Correct the camera's turn in the recipe, or the way the picture is stored."
    ),
    "geometry.shingled": (
        "The picture or the recipe shows a shingled panel: narrow strips laid over each other, without gaps or "
        "ribbons. Shingled panels are not inspected by this program."
    ),
    "geometry.no_layout": (
        "No layout can be told from the picture: no regular gaps between cells were found. Give a recipe or a layout."
    ),
    "geometry.unclear_grid": (
        "Too few of the gaps and edges of layout {layout} can be seen in the picture to be sure where each cell lies. "
        "Check the current, the sharpness and the exposure, and take it again."
    ),
    **_cut_texts(),
    "gaps.title": "Gaps between cells · panel {serial}",
    "gaps.subtitle": (
        "Gate view, from the {side}. Field of cells {along_mm:.1f} ± {along_error_mm:.1f} mm along the strings, "
        "{across_mm:.1f} ± {across_error_mm:.1f} mm across.\nBars are drawn wider than the gaps. Common to all gaps: "
        "± {edge_mm:.1f} mm, for where the wafers end beyond their light (all uncertainties k = 2)."
    ),
    "gaps.scale": "gap against the usual one of its kind, mm (negative: narrower); hatched: not seen",
    "gaps.along": "Along the strings",
    "gaps.across": "Between strings",
    "gaps.mm": "gap, mm",
    "gaps.count": "gaps",
    "gaps.none": "none seen",
    "gaps.positions": "position",
    "gaps.strings": "string",
    "gaps.figures": "median {median_mm:.2f} mm\n{least_mm:.2f} to {most_mm:.2f} mm\neach ± {error_mm:.2f} mm",
    "rematch.belongs": "The cells are those of the earlier picture.",
    "rematch.undecided": (
        "The cells are those of the earlier picture; {n} replaced cell cannot be told from the one before it. Check "
        "it by eye.",
        "The cells are those of the earlier picture; {n} replaced cells cannot be told from the ones before them. "
        "Check them by eye.",
    ),
    "rematch.not_this_panel": (
        "Image and serial do not belong together: the cells are not those of the earlier picture. Check the serial on "
        "the panel and take the picture again."
    ),
    "rematch.other_layout": (
        "Image and serial do not belong together: the earlier picture shows another number or shape of cells. Check "
        "the serial on the panel and the recipe."
    ),
    "rematch.turned": (
        "The cells are those of the earlier picture, but turned by 180°. Check how the panel lies under the camera; "
        "every address would be wrong."
    ),
    "rematch.not_as_replaced": (
        "Not replaced, or the wrong one: cells said to be replaced that look as before: {still_there}; cells said to "
        "be untouched that look like other ones: {changed}."
    ),
    "rematch.unclear": (
        "It cannot be told whether the cells are those of the earlier picture: about half of them match. Take the "
        "picture again, and check the serial on the panel."
    ),
    "rematch.too_few": "Too few cells show enough texture to tell whether they are those of the earlier picture.",
}
