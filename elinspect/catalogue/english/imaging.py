"""Texts about reading and judging images."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "imaging.missing": "The image {file} does not exist. Check the path, and that the drive or network is connected.",
    "imaging.folder": "{file} is a folder. Name an image file in it.",
    "imaging.not_a_file": (
        "{file} is a device, pipe or socket, not an image file. Copy the picture to a disk and name that file."
    ),
    "imaging.no_permission": "The image {file} may not be read by this user. Have the rights of the file changed.",
    "imaging.unreadable": "The image {file} cannot be read: {cause}. Check the drive or network and try again.",
    "imaging.no_memory": (
        "The image {file} is too large for the memory that is free. Close other programs, or use a smaller picture."
    ),
    "imaging.empty": (
        "The image {file} is empty. If it is still being written, wait and try again; otherwise copy it again from "
        "the camera or retake it."
    ),
    "imaging.truncated": (
        "The image {file} is cut off: part of the picture is missing. If it is still being written, wait and try "
        "again; otherwise copy it again from the camera or retake it."
    ),
    "imaging.damaged": "The image {file} is damaged. Copy it again from the camera or retake it.",
    "imaging.tiff_broken": (
        "The TIFF image {file} cannot be decoded ({cause}). Copy it again from the camera; if that does not help, "
        "save it without compression."
    ),
    "imaging.not_an_image": (
        "{file} is not a PNG, TIFF or JPEG image, whatever its name says. Name the picture the camera wrote, or save "
        "it as a grayscale PNG or TIFF."
    ),
    "imaging.other_format": (
        "{file} is a {format} file, which is not read. Save the picture as a grayscale PNG or TIFF."
    ),
    "imaging.large_file": (
        "The image {file} has {megabytes:.0f} MB; at most {limit:.0f} MB are read. Check that it is a picture of one "
        "panel, or save it with lossless compression."
    ),
    "imaging.large_picture": (
        "The image {file} has {width} x {height} pixels; at most {megapixels:.0f} megapixels and {side} pixels a side"
        " are read. Check that it is the camera's own picture of one panel."
    ),
    "imaging.no_pixels": (
        "The image {file} states a size of {width} x {height} pixels. Copy it again from the camera or retake it."
    ),
    "imaging.coloured": (
        "The image {file} is a colour picture. Save the camera's own grayscale picture, not a view in false colours."
    ),
    "imaging.transparent": (
        "The image {file} is partly transparent. Save it as a grayscale picture without transparency."
    ),
    "imaging.colour_table": (
        "The image {file} was saved with a colour table (palette), so its values are not counts of the sensor. Save "
        "it as grayscale."
    ),
    "imaging.floating_point": (
        "The image {file} holds floating-point numbers, so full scale is not known. Save it as whole numbers of 8 to "
        "16 bits without sign."
    ),
    "imaging.signed": (
        "The image {file} holds numbers with a sign. Save it as whole numbers of 8 to 16 bits without sign."
    ),
    "imaging.depth": "The image {file} has {bits} bits per pixel; 8 to 16 are read. Save the camera's own picture.",
    "imaging.animated": "The image {file} is an animation. Save the one picture that is to be judged.",
    "imaging.several_pictures": (
        "The image {file} holds {n} pictures, and nothing says which one is to be judged. Save that one as its own "
        "file."
    ),
    "imaging.no_picture": "The image {file} holds only previews or masks. Save the full picture.",
    "imaging.kind_of_jpeg": (
        "The image {file} is a kind of JPEG that is not read (lossless, arithmetic, 12-bit or with four channels). "
        "Save it as a grayscale PNG or TIFF."
    ),
    "imaging.sizes_differ": (
        "The image {file} has {width} x {height} pixels, but {other}, to which it belongs, has {other_width} x "
        "{other_height}. Name the pictures of one exposure set."
    ),
    "quality.black": (
        "The image is black everywhere. Check that the supply is on, the probes make contact and the lens is "
        "uncovered, then retake it. An energised panel is live DC: switch the supply off before touching the probes."
    ),
    "quality.white": "The image is white everywhere. Shut out other light, shorten the exposure time and retake it.",
    "quality.one_value": (
        "The image has the same value ({counts:.0f} counts) everywhere. Check the camera and its connection, then "
        "retake it."
    ),
    "quality.overexposed": (
        "{percent:.0f} % of the image is saturated. Shut out other light, shorten the exposure time or lower the "
        "gain, then retake it."
    ),
    "quality.only_noise": (
        "The image shows nothing but noise: no cell lights up. Check that the supply is on, the probes make contact "
        "and the lens is uncovered, then retake it. An energised panel is live DC: switch the supply off before "
        "touching the probes."
    ),
    "quality.weak_signal": (
        "Signal-to-noise is {ratio:.1f}; at least {limit:.1f} is needed to judge by. Retake with a longer exposure "
        "time; check the current and the contact of the probes, and clean glass and lens. An energised panel is live "
        "DC: switch the supply off before touching the probes."
    ),
    "quality.too_few_grey_steps": (
        "The image has only {steps:.0f} steps of grey between the dark ground and a usual cell (needed: {limit:.0f}). "
        "Fine cracks are lost between two steps, and the borders between steps look like cracks. Retake with a longer "
        "exposure time or more gain, or have the camera store 12 bits."
    ),
    "quality.few_grey_steps": (
        "The image has only {steps:.0f} steps of grey between the dark ground and a usual cell: what takes less than "
        "{percent:.0f} % of the light is not seen. Have the camera store 12 bits, or expose longer."
    ),
    "quality.saturated": (
        "{percent:.1f} % of the cells' pixels are saturated (allowed: {limit:.1f} %). Retake with a shorter exposure "
        "time or lower gain."
    ),
    "quality.saturated_picture": (
        "{percent:.0f} % of the image is saturated. Shorten the exposure time or lower the gain, and shut out other "
        "light."
    ),
    "quality.cells_too_small": (
        "The cells are too small in the image to judge by. Move the camera closer, or use the camera's full resolution."
    ),
    "quality.no_current": (
        "The supply gave {current_a:.2f} A only: the circuit is open, or the probes do not touch. Check the probes, "
        "then the joints. An energised panel is live DC: switch the supply off before touching them."
    ),
    "quality.dark": (
        "{percent:.0f} % of the cells' pixels are dark (allowed: {limit:.0f} %). Check the contact of the probes and "
        "the current, then retake. An energised panel is live DC: switch the supply off before touching the probes."
    ),
    "quality.coarse": (
        "A pixel is {mm:.2f} mm wide on the panel (allowed: {limit:.2f} mm), too coarse for hairline cracks. Use the "
        "camera's full resolution, move it closer, or photograph the panel in tiles."
    ),
    "quality.blurred": (
        "Edges spread over {mm:.2f} mm on the panel (standard deviation, allowed: {limit:.2f} mm). Check the focus, "
        "clean glass and lens, make sure that nothing moves during the exposure, and retake."
    ),
    "quality.smoothed": (
        "The image was smoothed or compressed before it was stored, which hides its noise; signal-to-noise {ratio:.0f} "
        "was estimated from coarser structures. Have the camera store its raw picture as PNG or TIFF."
    ),
    "quality.expose_shorter": (
        "The image is too bright. Shorten the exposure time to one part in {factor:.1f}, or lower the gain as much."
    ),
    "quality.expose_longer": "The image is dim. An exposure time {factor:.1f} times as long would use the sensor well.",
    "quality.pair_differs": (
        "The repeat exposure {file} is brighter or darker than the first, so it did not serve to measure the noise. "
        "Take both with the same settings and the current steady."
    ),
    "quality.pair_copied": (
        "The repeat exposure {file} is a copy of the first, so it did not serve to measure the noise."
    ),
    "quality.all_fade": (
        "All strings from {first} to {last} fade along their length alike, to {percent:.0f} % at position {position}: "
        "cells there may be dark without a fault of their own. Check the contact of the probes at that end and what "
        "may stand in the light, and retake. An energised panel is live DC: switch the supply off before touching the "
        "probes."
    ),
    "quality.probe_contact": (
        "String {string} fades along its length, to {percent:.0f} % at position {position}. Check the contact of the "
        "probe there. An energised panel is live DC: switch the supply off before touching the probes."
    ),
    "quality.soft": (
        "The image is soft: edges spread over {spread_px:.1f} px (standard deviation). Check the focus, clean glass "
        "and lens, and make sure that nothing moves during the exposure."
    ),
    "capture.rule_parts": "files must hold {{serial}}, and may hold {{exposure}} and {{tile}}, each once",
    "capture.rule_full_current": "exposures must say what stands for full_current",
    "capture.rule_names": "files must hold {{{part}}}, with a name of its own for each",
    "capture.rule_places": "each of several tiles needs at_px, its place in pixels of the first",
    "capture.rule_side_file": "side_file must hold {{serial}}, once, and nothing else in braces",
    "capture.no_table": "it holds no table of names and figures",
    "capture.no_figure": "{key} is no figure: {given}",
    "capture.other_name": (
        "The name of the image {file} does not follow the station's rule '{rule}', so it is not known which panel and "
        "which part of it the image shows. Rename it, or inspect it without the capture file."
    ),
    "capture.missing_tile": (
        "{n} tile of the panel is missing in {folder}: {missing}. Wait until the camera has written it, or retake the "
        "panel.",
        "{n} tiles of the panel are missing in {folder}: {missing}. Wait until the camera has written them, or retake "
        "the panel.",
    ),
    "capture.missing_companion": (
        "{missing} is missing in {folder}, so the other exposures of its kind were not used.",
        "{missing} are missing in {folder}, so the other exposures of their kind were not used.",
    ),
    "capture.side_file": "The side file {file} was not used: {cause}.",
    "quality.mask_filled": (
        "{n} rectangle of the image is masked by the recipe and was not looked at.",
        "{n} rectangles of the image are masked by the recipe and were not looked at.",
    ),
    "camera.other_size": (
        "The image {file} has {width} x {height} pixels, but the camera file of '{camera}' is for {camera_width} x "
        "{camera_height}. Use the camera file of the camera that took the image, with the same binning and region."
    ),
    "camera.not_written": "The camera file {file} cannot be written: {cause}. Check the folder and the free space.",
    "camera.unreadable": "The camera file {file} cannot be read: {cause}. Check the drive or network and the rights.",
    "camera.invalid": "{file} is not a camera file, or is damaged ({cause}). Make it again by calibrating the camera.",
    "camera.no_target": (
        "The calibration target was not found in the image {file} (nor in any other of {n}). Check columns, rows and "
        "kind of the target, and that it is lit, sharp and shown whole."
    ),
    "camera.target_missed": (
        "The calibration target was not found in the image {file}, which was left out. Retake it with the target lit,"
        " sharp and shown whole."
    ),
    "camera.flat_full": (
        "The evenly lit image {file} is saturated in part, so it cannot serve as a flat field. Retake it with less "
        "light or a shorter exposure time."
    ),
    "camera.flat_dark": (
        "The evenly lit image {file} is dark in part, so it cannot serve as a flat field. Retake it with the lit "
        "surface filling the whole picture."
    ),
    "camera.flat_unsteady": (
        "The evenly lit image {file} differs by {percent:+.0f} % from the first one, so the light is not steady. Let "
        "the light warm up, switch automatic exposure off, and retake them all."
    ),
    "camera.dark_lit": (
        "The dark image {file} shows light, so it cannot serve as a dark frame. Cover the lens, switch the panel's "
        "current and all lamps off, and retake it with the exposure time used for panels."
    ),
    "camera.no_fall_off": (
        "The fall-off of light could not be estimated from {n} panel. Give more panels that fill the picture, or take "
        "evenly lit images.",
        "The fall-off of light could not be estimated from {n} panels. Give panels that fill the picture, or take "
        "evenly lit images.",
    ),
    "camera.report_dark": "Dark level: {level:.1f} counts.",
    "camera.report_noise": "Noise of one pixel without light: {noise:.2f} counts.",
    "camera.report_bad_pixels": (
        "{n} hot, dead or noisy pixel; it takes the median of its neighbours.",
        "{n} hot, dead or noisy pixels; they take the median of their neighbours.",
    ),
    "camera.report_corner": "Light in the darkest corner: {percent:.0f} % of that in the middle.",
    "camera.report_residual": (
        "Unevenness left when one half of the evenly lit images is corrected by the other: {percent:.2f} %."
    ),
    "camera.report_flat_noise": "Noise that the flat field brings into every image: {percent:.2f} %.",
    "camera.report_fall_off": (
        "Fall-off estimated from {n} panel, no flat field: {percent:.0f} % of the light in the corners, ± {error:.0f}.",
        "Fall-off estimated from {n} panels, no flat field: {percent:.0f} % of the light in the corners, "
        "± {error:.0f}.",
    ),
    "camera.report_strays": (
        "{n} more point lay far off its place and was left out.",
        "{n} more points lay far off their places and were left out.",
    ),
    "camera.report_target": (
        "Target seen in {n} image, {points} points.",
        "Target seen in {n} images, {points} points.",
    ),
    "camera.report_bend": (
        "Rows and columns of the target bend by {before_px:.2f} px in the images and by {after_px:.2f} px after "
        "correction."
    ),
    "camera.report_check": (
        "Points left out of the fit lie {check_px:.3f} px from the model; the target covered {percent:.0f} % of the "
        "picture."
    ),
    "camera.few_dark": (
        "Only {n} dark image was given; with {wanted} or more, noise and noisy pixels are found as well.",
        "Only {n} dark images were given; with {wanted} or more, noisy pixels are found as well.",
    ),
    "camera.many_bad": "{percent:.1f} % of the pixels are hot, dead or noisy. Check the cooling and the exposure time.",
    "camera.flat_level": (
        "The evenly lit images stand at {percent:.0f} % of full scale. Retake them at about half of it."
    ),
    "camera.single_flat": (
        "A single evenly lit image was given, so its noise and repeatability are not known. Take several."
    ),
    "camera.flat_noise": (
        "The flat field brings {percent:.2f} % noise into every image. Take more evenly lit images, or brighter ones."
    ),
    "camera.flat_residual": (
        "One half of the evenly lit images, corrected by the other, is still uneven by {percent:.1f} %. Keep the "
        "light steady, or take more images with the surface in different places."
    ),
    "camera.coverage": (
        "The target covered {percent:.0f} % of the picture only; the distortion outside it is a guess. Take pictures "
        "with the target in the corners."
    ),
    "camera.lens_misfit": (
        "Points of the target lie {away_px:.2f} px from where the lens model puts them. Check that the target is flat"
        " and the images are sharp."
    ),
    "camera.lens_left_out": (
        "The lens model fails towards the corners of the picture and was left out. Take pictures with the target in "
        "the corners."
    ),
}
